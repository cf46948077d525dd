"""Starts the interpreter, carries bytes between it and a pseudo-terminal, and does to it what a chip would.

The interpreter ends where a board soft-resets (Ctrl-D at the prompt), so it is started again then.  Ctrl-C becomes a
signal only while the interpreter catches it; otherwise it is a byte like any other.  A watchdog that is not fed, and
machine.reset(), are a kill and a start.  Linux only: it asks /proc whether a signal is caught.
"""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import socket
import subprocess
import sys
import termios
import threading
import time
import tty
from pathlib import Path
from typing import Callable, Optional

from packwarden.bench.interpreter import find_micropython
from packwarden.bench.target import TargetError
from packwarden.virtual.world import World

CHIP = Path(__file__).parent / "chip"
FLASH_BYTES = 352 * 4096  # as the port gives it on a board with 2 MB
HEAP = "400k"  # an object takes twice the room on 64 bits: about 200k on the chip
POWER_ON, WATCHDOG, SOFT = 1, 3, 5
CTRL_A, CTRL_B, CTRL_C = 1, 2, 3
AHEAD = 256  # bytes to the host that the port holds, as the chip's does
TICK_S = 0.02
FULL_S = 0.002  # between looks whether the host has read


class VirtualBoard:
    """`port`: the path to open.  `run` until `stop`, or as a context: in a thread."""

    def __init__(self, world: World, flash: Path, chip: str = "rp2") -> None:
        if not sys.platform.startswith("linux"):
            raise TargetError("the virtual board runs on Linux only: it needs /proc")
        self.world = world
        self.flash = flash
        if not flash.exists():
            flash.write_bytes(b"\xff" * FLASH_BYTES)
        self.command = [find_micropython(), "-X", "heapsize=" + HEAP]
        self.outer, slave = pty.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        os.close(slave)
        self.chip = chip
        self.child: Optional[subprocess.Popen[bytes]] = None
        self.inner = self.output = -1
        self.far: Optional[socket.socket] = None
        self.scratch = [0, 0, 0, 0]
        self.raw_prompt = False
        self.watchdog_s = 0.0
        self.fed_at = 0.0
        self.starts: list[int] = []  # causes
        self.feeds = 0
        self.said = bytearray()  # all that the board sent, read or not
        self._to_host = bytearray()
        self._to_board = bytearray()
        self._from_far = bytearray()
        self._stop = False
        self._asked: list[Callable[[], None]] = []
        self._thread: Optional[threading.Thread] = None

    # -- for tests and for the command ------------------------------------------------------------------

    def __enter__(self) -> VirtualBoard:
        self.power_on()
        self._thread = threading.Thread(target=self.run, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> None:
        """End it; the flash file stays."""
        self._stop = True
        if self._thread is not None:
            self._thread.join(5)
        self._kill()
        if self.outer >= 0:
            os.close(self.outer)
            self.outer = -1

    def ask(self, act: Callable[[], None]) -> None:
        """Have something done in the board's own thread, and wait for it."""
        done = threading.Event()

        def do() -> None:
            act()
            done.set()

        self._asked.append(do)
        if not done.wait(10):
            raise TargetError("the virtual board's thread does not answer")

    def power_cycle(self) -> None:
        """Power away at this very moment, and back: the scratch registers are lost, too."""
        self.ask(self._power_cycle)

    def _power_cycle(self) -> None:
        self._kill()
        self.power_on()

    def power_on(self) -> None:
        """Start from nothing but the flash."""
        self.scratch = [0, 0, 0, 0]
        self.raw_prompt = False
        self._start(POWER_ON, main=True)

    # -- the interpreter --------------------------------------------------------------------------------

    def _start(self, cause: int, main: bool) -> None:
        world = self.world
        world.released()
        ours, theirs = socket.socketpair()
        self.inner, slave = pty.openpty()
        tty.setraw(slave)
        self.output, says = os.pipe()
        fcntl.fcntl(says, fcntl.F_SETPIPE_SZ, 4096)  # the least there is; the chip's own buffer is smaller still
        env = dict(
            os.environ, MICROPYPATH=str(CHIP), PACKWARDEN_FAR=str(theirs.fileno()),
            PACKWARDEN_FLASH=str(self.flash.absolute()), PACKWARDEN_CHIP=self.chip, TERM="dumb",
        )  # fmt: skip
        env.pop("PACKWARDEN_MAIN", None)
        if main:
            env["PACKWARDEN_MAIN"] = "1"
        boxes = bytes([*world.spec.boxes, 0, 0, 0, 0, 0, 0][:6])
        chips = world.chips()
        hello = bytes([cause]) + b"".join(w.to_bytes(4, "little") for w in self.scratch) + boxes
        ours.sendall(hello + bytes([len(chips)]) + b"".join(bytes(c) for c in chips))
        code = (CHIP / "boot.py").read_text(encoding="utf-8")
        self.child = subprocess.Popen(
            [*self.command, "-i", "-c", code],
            stdin=slave, stdout=says, stderr=says, pass_fds=[theirs.fileno()], env=env, start_new_session=True,
            preexec_fn=_ignore_ctrl_c,
        )  # fmt: skip
        os.close(slave)
        os.close(says)
        theirs.close()
        self.far = ours
        self._from_far.clear()
        self._to_board.clear()
        self.watchdog_s = 0.0
        self.starts.append(cause)
        os.set_blocking(self.inner, False)
        os.set_blocking(self.output, False)
        if self.raw_prompt:
            self._to_board += bytes([CTRL_A])

    def _kill(self) -> None:
        if self.child is not None:
            self.child.kill()
            self.child.wait()
            self.child = None
        if self.far is not None:
            self.far.close()
            self.far = None
        if self.inner >= 0:
            os.close(self.inner)
            os.close(self.output)
            self.inner = self.output = -1
        self.world.released()

    def _reset(self, cause: int) -> None:
        """As the chip's own: everything starts anew, but for the scratch registers."""
        self._last_words()
        self._kill()
        self.raw_prompt = False
        self._start(cause, main=True)

    def _ended(self) -> None:
        """The interpreter ended by itself, which is a soft reset."""
        self._last_words()
        raw = self.raw_prompt
        self._kill()
        self._send(b"MPY: soft reboot\r\n")
        self._start(SOFT, main=not raw)

    def _catches_ctrl_c(self) -> bool:
        assert self.child is not None
        try:
            status = Path("/proc/%d/status" % self.child.pid).read_text()
        except OSError:
            return False
        mask = int(status.split("SigCgt:")[1].split()[0], 16)
        return bool(mask >> (signal.SIGINT - 1) & 1)

    # -- the loop ---------------------------------------------------------------------------------------

    def run(self) -> None:
        """Carry bytes until stopped."""
        outer = select.poll()
        outer.register(self.outer, select.POLLIN)
        while not self._stop:
            while self._asked:
                self._asked.pop(0)()
            opened = not any(event & select.POLLHUP for _fd, event in outer.poll(0))
            if not opened:
                self._to_host.clear()  # nobody there: lost, as on a port that is not open
            reads = [self.far.fileno()] if self.far is not None else []
            if opened and len(self._to_board) < 4096:
                reads.append(self.outer)
            if self.output >= 0 and len(self._to_host) < AHEAD:
                reads.append(self.output)
            full = self._to_host and opened and self._unread() >= AHEAD
            writes = [self.outer] if self._to_host and opened and not full else []
            if self._to_board:
                writes.append(self.inner)
            ready, room, _ = select.select(reads, writes, [], FULL_S if full else TICK_S)
            if self.outer in ready:
                self._from_host()
            if self.inner in room:
                self._give()
            if self.far is not None and self.far.fileno() in ready:
                self._hear()
            if self.output in ready:
                self._pump_out()
            if self.outer in room:
                self._to_the_host()
            self._watch()

    def _watch(self) -> None:
        if self.watchdog_s and time.monotonic() - self.fed_at > self.watchdog_s:
            self._reset(WATCHDOG)
        elif self.child is not None and self.child.poll() is not None:
            self._ended()

    def _from_host(self) -> None:
        try:
            data = os.read(self.outer, 1024)
        except OSError:
            return
        for b in data:
            if b in (CTRL_A, CTRL_B):
                self.raw_prompt = b == CTRL_A
            if b == CTRL_C and self.child is not None and self._catches_ctrl_c():
                self._to_board.clear()
                os.kill(self.child.pid, signal.SIGINT)
            else:
                self._to_board.append(b)

    def _give(self) -> None:
        try:
            n = os.write(self.inner, self._to_board[:256])
        except (BlockingIOError, OSError):
            return
        del self._to_board[:n]

    def _pump_out(self) -> None:
        try:
            data = os.read(self.output, AHEAD)
        except (BlockingIOError, OSError):
            return
        self._send(data)

    def _last_words(self) -> None:
        """All that an interpreter that has ended still said."""
        while True:
            try:
                data = os.read(self.output, 4096)
            except (BlockingIOError, OSError):
                return
            if not data:
                return
            self._send(data)

    def _send(self, data: bytes) -> None:
        self._to_host += data
        self.said += data
        del self.said[:-1000000]

    def _unread(self) -> int:
        """Bytes that the host has not taken yet."""
        try:
            look = os.open(self.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError:
            return 0
        try:
            return int.from_bytes(fcntl.ioctl(look, termios.FIONREAD, bytes(4)), sys.byteorder)
        finally:
            os.close(look)

    def _to_the_host(self) -> None:
        try:
            n = os.write(self.outer, self._to_host)
        except OSError:
            return
        del self._to_host[:n]

    def _hear(self) -> None:
        """What the interpreter's `machine` says and asks."""
        assert self.far is not None
        try:
            data = self.far.recv(4096)
        except OSError:
            data = b""
        if not data:
            return
        buffer = self._from_far
        buffer += data
        world = self.world
        while buffer:
            kind = buffer[0]
            n = SIZES.get(kind, 1)
            if len(buffer) < n:
                return
            values = bytes(buffer[1:n])
            del buffer[:n]
            if kind == ord("G"):
                self.far.sendall(world.look())
            elif kind == ord("P"):
                world.set_gpio(values[0], values[1])
            elif kind == ord("I"):
                self.far.sendall(bytes([world.read_pin(values[0])]))
            elif kind == ord("L"):
                world.limit_permille = (int.from_bytes(values, "little") * 1000 + 32767) // 65535
            elif kind == ord("S"):
                self.scratch[values[0]] = int.from_bytes(values[1:], "little")
            elif kind == ord("W"):
                self.watchdog_s = int.from_bytes(values, "little") / 1000.0
                self.fed_at = time.monotonic()
            elif kind == ord("F"):
                self.fed_at = time.monotonic()
                self.feeds += 1
            elif kind == ord("E"):
                world.flash_written()
            elif kind == ord("R"):
                self._reset(WATCHDOG)
                return


# Length of each thing that the interpreter's `machine` says.
SIZES = {ord(kind): n for kind, n in zip("GPMILSWFRE", (1, 3, 3, 2, 3, 6, 3, 1, 1, 1))}


def _ignore_ctrl_c() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)

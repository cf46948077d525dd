"""The bench's third target: a board with the strap fitted, over any pyserial URL, in real time.

The board runs the firmware that is on it, on frames as firmware/boards/bench.py describes them; the strap holds its
power outputs off whatever the relay asks.  Its own memory is neither read nor written: the bench gives it one.
"""

from __future__ import annotations

import contextlib
import time
from array import array
from typing import Optional

import serial

from packwarden.bench.inprocess import flip
from packwarden.bench.interpreter import ANSWER, END, HEAD, MAGIC, NV_BYTES, POWER_UP, SCAN, frame_of
from packwarden.bench.target import EVERYTHING, TICKS, Frame, Reply, TargetError
from packwarden.deploy.board import DeployError, Lost, Prompt, Wire

ANSWER_S = 10.0
READY, REFUSED = b"bench ready\n", b"bench refused"
FRAME_BYTES = len(frame_of(END))

# Finds the firmware as the loader does, and runs its bench; it has no loader where it came by mip.
BEGIN = """
import sys
for _m in [m for m in sys.modules if m == "main" or m.startswith("boards") or m.startswith("warden")]:
    del sys.modules[_m]
sys.path[:] = [p for p in sys.path if not p.startswith("/v/")]
import main as _main
if hasattr(_main, "find"):
    sys.path.insert(0, "/v/" + _main.find())
    del sys.modules["main"]
    import main as _main
from boards.strap import bench
bench(_main.load, _main.run)
"""


class BoardTarget:
    """Drives a board.  `replies()` says how long its answers took."""

    name = "board"
    can = EVERYTHING

    def __init__(self, port: str, real_time: bool = True) -> None:
        self.port = port
        self.real_time = real_time
        self.nv = bytearray(NV_BYTES)
        self.line: Optional[serial.Serial] = None
        self.python = ""
        self.took_ms = array("f")
        self.behind_n = 0  # scans whose moment had passed before they could be sent
        self._head = array("H", [0] * HEAD)
        self._reply = Reply()
        self._began = 0.0
        self._first_ms = -1

    def look(self) -> None:
        """See that there is a board with the strap fitted; which Python it has.  TargetError."""
        try:
            wire = Wire(self.port)
            try:
                if wire.relay_speaks():
                    raise TargetError("%s: a relay runs there: fit the strap, then reset the board" % self.port)
            finally:
                wire.close()
            prompt = self._prompt()
            try:
                version = prompt.value("sys.implementation.version[:3]", "import sys")
                self.python = "MicroPython %s on %s" % (".".join(map(str, version)), self.port)
            finally:
                prompt.close()
        except DeployError as error:
            raise TargetError(str(error)) from None

    def _prompt(self) -> Prompt:
        """The prompt; a board that still waits for a frame of a bench that was cut short is brought back first."""
        for noughts in (4 * FRAME_BYTES, 70000):
            try:
                return Prompt(self.port)
            except Lost:
                wire = Wire(self.port)
                with contextlib.suppress(serial.SerialException, OSError):
                    wire.line.write(bytes(noughts))
                    time.sleep(0.3)
                wire.close()
        return Prompt(self.port)

    def start(self, image: bytes, now_ms: int) -> None:
        """Power up with `image` as the non-volatile memory (zero-filled when shorter)."""
        self.nv[:] = bytes(image)[:NV_BYTES].ljust(NV_BYTES, b"\0")
        try:
            prompt = self._prompt()
            prompt.transport.exec_raw_no_follow(BEGIN)
            self.line = prompt.transport.serial
            self._await_ready()
        except (DeployError, serial.SerialException, OSError) as error:
            raise TargetError(str(error)) from None
        self._first_ms = -1
        self.took_ms = array("f")
        self.behind_n = 0
        self._send(frame_of(POWER_UP) + bytes(self.nv))

    def _await_ready(self) -> None:
        assert self.line is not None
        said, end = b"", time.monotonic() + ANSWER_S
        while time.monotonic() < end:
            said += self.line.read(1)
            if said.endswith(READY):
                self.line.timeout = ANSWER_S
                return
            if REFUSED in said:
                raise TargetError("%s: the strap is not fitted" % self.port)
            if said.endswith(b"\x04>"):
                break
        words = said.decode("ascii", "replace").replace("\x04", " ").strip().split("\n")[-1]
        raise TargetError("%s: the bench did not start on the board: %s" % (self.port, words or "no answer"))

    def scan(self, frame: Frame) -> Reply:
        """One scan on the board, at its time."""
        head = self._head
        head[0], head[1] = MAGIC, SCAN
        head[2], head[3] = frame.now_ms & 0x7FFF, frame.now_ms >> 15
        head[4], head[5] = frame.scan_ms, frame.discretes
        head[6], head[7], head[8] = frame.first, frame.fresh_n, frame.absent
        head[9], head[10] = len(frame.rx), frame.drain
        self._keep_time(frame.now_ms)
        began = time.perf_counter()
        self._send(head.tobytes() + frame.counts.tobytes() + frame.rx)
        magic, out_bits, limit, tx_n, nv_n, _ = array("H", self._take(2 * ANSWER))
        if magic != MAGIC:
            raise TargetError("%s: the board's answer is not a frame" % self.port)
        reply = self._reply
        reply.out_bits, reply.limit_permille = out_bits, limit
        reply.tx = self._take(tx_n) if tx_n else b""
        if nv_n:
            self.nv[:] = self._take(nv_n)
        self.took_ms.append((time.perf_counter() - began) * 1000.0)
        return reply

    def _keep_time(self, now_ms: int) -> None:
        """Wait until the wall clock is where the scan is."""
        if not self.real_time:
            return
        if self._first_ms < 0:
            self._first_ms, self._began = now_ms, time.perf_counter()
        left_s = (now_ms - self._first_ms & TICKS) * 0.001 - (time.perf_counter() - self._began)
        if left_s > 0:
            time.sleep(left_s)
        elif left_s < -0.001:
            self.behind_n += 1

    def _send(self, data: bytes) -> None:
        assert self.line is not None, "scanned before it was started"
        try:
            self.line.write(data)
        except (serial.SerialException, OSError) as error:
            raise TargetError("%s: the line to the board was lost (%s)" % (self.port, error)) from None

    def _take(self, n: int) -> bytes:
        assert self.line is not None
        try:
            data = bytes(self.line.read(n))
        except (serial.SerialException, OSError) as error:
            raise TargetError("%s: the line to the board was lost (%s)" % (self.port, error)) from None
        if len(data) < n:
            raise TargetError("%s: the board did not answer in %g s" % (self.port, ANSWER_S))
        return data

    def replies(self) -> dict[str, float]:
        """How long the answers took, there and back, ms; and how many scans could not be sent in time."""
        took = sorted(self.took_ms)
        if not took:
            return {}
        return {
            "replies": len(took),
            "median_ms": round(took[len(took) // 2], 2),
            "of_1000_999_within_ms": round(took[len(took) * 999 // 1000], 2),
            "worst_ms": round(took[-1], 2),
            "behind": self.behind_n,
        }

    def power_cycle(self) -> None:
        """The relay is made anew, with the memory that was kept: the board itself keeps its power."""
        self._send(frame_of(END))
        self._send(frame_of(POWER_UP) + bytes(self.nv))

    def spoil(self, region: str, bit: int) -> None:
        """Flip one bit of the non-volatile memory, seen at the next power-up."""
        flip(self.nv, region, bit)

    def close(self) -> None:
        """Leave the board at its prompt."""
        line, self.line = self.line, None
        if line is None:
            return
        with contextlib.suppress(serial.SerialException, OSError):
            line.write(frame_of(END) * 2)
            line.timeout = 1.0
            line.read_until(b"\x04>")
            line.write(b"\r\x02")
            line.flush()
        with contextlib.suppress(serial.SerialException, OSError):
            line.close()

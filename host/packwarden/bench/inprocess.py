"""The in-process target: the firmware files under this Python, no wire between."""

from __future__ import annotations

from typing import Any, Optional

from packwarden import paths
from packwarden.bench.target import EVERYTHING, Frame, Reply, TargetError

paths.use_firmware()

from boards.bench import NV_BYTES, Board  # noqa: E402
from warden import relay, settings  # noqa: E402


class InProcess:
    """Builds a relay on a bench board and calls its scan.  Thousands of scans a second; nothing is copied twice."""

    name = "in-process"
    can = EVERYTHING

    def __init__(self) -> None:
        self.nv = bytearray(NV_BYTES)
        self.board: Any = None
        self.relay: Any = None
        self._reply = Reply()

    def start(self, image: bytes, now_ms: int) -> None:
        """Power up with `image` as the non-volatile memory (zero-filled when shorter)."""
        self.nv[:] = bytes(image)[:NV_BYTES].ljust(NV_BYTES, b"\0")
        self._power_up()

    def _power_up(self) -> None:
        self.board = Board()
        self.board.nv[:] = self.nv
        self.relay = relay.Relay(self.board)

    def scan(self, frame: Frame) -> Reply:
        """One scan, then what the firmware's main loop does after it."""
        board = self.board
        if board is None:
            raise TargetError("in-process: scanned before it was started")
        board.counts = frame.counts
        board.now_ms = frame.now_ms
        board.scan_ms = frame.scan_ms
        board.discretes = frame.discretes
        board.first = frame.first
        board.fresh_n = frame.fresh_n
        board.absent = frame.absent
        board.drain = frame.drain
        if frame.rx:
            board.give(frame.rx)
        turn = self.relay
        turn.scan(frame.now_ms)
        turn.serve()
        turn.idle()
        if board.nv_kept:
            self.nv[:] = board.nv
            board.nv_kept = False
        reply = self._reply
        reply.out_bits = board.out_bits
        reply.limit_permille = board.limit_permille
        reply.tx = board.take_lines(turn.outbox) if turn.outbox.waiting else b""
        return reply

    def power_cycle(self) -> None:
        """Working memory gone, non-volatile memory kept."""
        self._power_up()

    def spoil(self, region: str, bit: int) -> None:
        """Flip one bit of the non-volatile memory, seen at the next power-up."""
        flip(self.nv, region, bit)

    def close(self) -> None:
        """Let go of the relay."""
        self.relay = self.board = None


def flip(nv: bytearray, region: str, bit: int) -> None:
    """Flip bit `bit` of "settings" or "journal" in a memory image.  TargetError outside it."""
    start, end = {"settings": (0, settings.IMAGE_BYTES), "journal": (settings.IMAGE_BYTES, NV_BYTES)}[region]
    at = start + bit // 8
    if not start <= at < end:
        raise TargetError("%s memory has bits 0 to %d, not %d" % (region, 8 * (end - start) - 1, bit))
    nv[at] ^= 1 << bit % 8


def firmware_version() -> str:
    """Version of the firmware files."""
    import warden

    version: Optional[str] = warden.VERSION
    return str(version)

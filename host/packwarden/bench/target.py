"""What a target is: something that runs the relay, one scan at a time, on what the bench measures for it."""

from __future__ import annotations

from array import array

try:
    from typing import Protocol
except ImportError:  # pragma: no cover - every supported Python has it
    Protocol = object  # type: ignore[assignment]

COUNTS = 72  # words of the board's input buffer; the order is in firmware/warden/sense.py
TICKS = (1 << 30) - 1  # the relay's ticks wrap here
CLOCK_START_MS = (1 << 30) - 20000  # every run crosses the wrap


class Frame:
    """One scan's inputs.  One object serves a whole run: a target takes what it needs before it returns."""

    __slots__ = ("now_ms", "scan_ms", "discretes", "first", "fresh_n", "absent", "counts", "rx", "drain")

    def __init__(self) -> None:
        self.now_ms = CLOCK_START_MS  # relay ticks, wrapped
        self.scan_ms = 10  # nominal interval
        self.discretes = 0  # raw inputs, bits as in firmware/warden/modes.py
        self.first = 0  # first module sampled for this scan, from 0
        self.fresh_n = 0  # how many modules were sampled, round the string
        self.absent = 0  # bit b: the head of box b did not answer
        self.counts = array("H", [0] * COUNTS)
        self.rx = b""  # bytes arriving on the serial line
        self.drain = True  # is anyone reading the serial line


class Reply:
    """One scan's outputs.  May be reused by the target: the runner takes what it needs at once."""

    __slots__ = ("out_bits", "limit_permille", "tx")

    def __init__(self, out_bits: int = 0, limit_permille: int = 0, tx: bytes = b"") -> None:
        self.out_bits = out_bits
        self.limit_permille = limit_permille
        self.tx = tx


class Target(Protocol):
    """Runs the relay.  `can` names what may be injected beyond counts and discretes (see CAN below)."""

    name: str
    can: frozenset[str]

    def start(self, image: bytes, now_ms: int) -> None:
        """Power up with this non-volatile memory (the settings image; shorter images are zero-filled)."""

    def scan(self, frame: Frame) -> Reply:
        """One scan at frame.now_ms."""

    def power_cycle(self) -> None:
        """Brown-out and return: the working memory is lost, the non-volatile memory is kept."""

    def spoil(self, region: str, bit: int) -> None:
        """Flip one bit of a region, "settings" or "journal", of the non-volatile memory.

        It is seen at the next power-up.
        """

    def close(self) -> None:
        """Let go of whatever the target holds."""


# What a fault may ask of a target.  A target without it refuses the scenario: nothing is ignored.
CAN = (
    ("timing", "scans that come late or not at all, and a clock that stops"),
    ("power", "losing power and coming back"),
    ("memory", "flipping bits of the non-volatile memory"),
    ("serial", "bytes on the serial line, and leaving it unread"),
)
EVERYTHING = frozenset(name for name, _ in CAN)


class TargetError(Exception):
    """A target failed, or was asked for what it can't do."""

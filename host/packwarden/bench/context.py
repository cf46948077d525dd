"""What a fault can reach: the plant, its sensors, the switches, the relay's clock, supply, serial line and memory."""

from __future__ import annotations

import random
from array import array
from binascii import crc_hqx
from typing import TYPE_CHECKING, Any, Callable, Dict, List, Tuple

from packwarden.bench.course import (
    CRASH,
    ESTOP,
    INTERLOCK,
    KEY,
    MAINAUX,
    PEDAL,
    RESET,
    SERVICE,
    START,
    UNPLUG,
)
from packwarden.bench.target import Target

if TYPE_CHECKING:
    from packwarden.plant import Plant, Sensors

BITS = {
    "key": KEY, "start": START, "unplug": UNPLUG, "interlock": INTERLOCK, "estop": ESTOP, "crash": CRASH,
    "service": SERVICE, "mainaux": MAINAUX, "reset": RESET, "pedal": PEDAL,
}  # fmt: skip
BYTES_PER_MS = 11.52  # 115 200 baud, ten bits a byte
BROWN_OUT_V, BROWN_IN_V = 5.5, 6.5  # aux supply at which the relay's own supply fails, and is back

Meddle = Callable[[Any, int, int], None]  # (counts, first, n): change what was sampled
Undo = Callable[[], None]


class Bench:
    """Knobs that faults turn and the runner obeys.  Plain attributes: the runner's loop reads them each scan."""

    def __init__(self, plant: "Plant", sensors: "Sensors", target: Target, rng: random.Random) -> None:
        self.plant = plant
        self.sensors = sensors
        self.target = target
        self.rng = rng
        self.now_ms = 0
        # What the relay last said.
        self.out_bits = 0
        self.limit_permille = 0
        # Switches: raw = (person's & ~force_open) | force_closed.
        self.force_open = 0
        self.force_closed = 0
        self.held: Dict[str, int] = {}  # switches held by a hand of the scenario
        self.flickers: List[Tuple[int, int, float]] = []  # bit, period ms, part of it open
        # Sampling.
        self.meddle: List[Meddle] = []
        self.absent = 0
        # The relay's clock and supply.
        self.powered = True
        self.no_scan_until_ms = 0
        self.pace_ms = 0  # each scan comes this long after the one before; 0: as it should
        self.clock_stops_until_ms = 0
        self.lag_ms = 0  # how far the relay's clock is behind
        # The serial line.
        self.drain = True
        self.to_send: List[bytes] = []
        self.flood: List[Callable[[int], bytes]] = []
        self.requests = 0

    # -- switches ---------------------------------------------------------------------------------------

    def force(self, name: str, closed: bool) -> Undo:
        """Hold a raw input at a state whatever the person does.  Returns what lets it go."""
        bit = BITS[name]
        before = self.force_open & bit, self.force_closed & bit
        self.force_open = self.force_open & ~bit | (0 if closed else bit)
        self.force_closed = self.force_closed & ~bit | (bit if closed else 0)

        def undo() -> None:
            self.force_open = self.force_open & ~bit | before[0]
            self.force_closed = self.force_closed & ~bit | before[1]

        return undo

    def hands(self, raw: int, plugged: bool) -> Tuple[int, bool]:
        """The person's inputs with what other hands hold; whether a live plug is really in."""
        for name, value in self.held.items():
            bit = BITS[name]
            raw = raw | bit if value else raw & ~bit
            if name == "unplug":
                plugged = not value
        return raw, plugged

    def flicker(self) -> None:
        """Inputs that come and go: set them for this moment."""
        for bit, period_ms, part in self.flickers:
            if self.now_ms % period_ms < part * period_ms:
                self.force_open |= bit
            else:
                self.force_open &= ~bit

    # -- clock and supply -------------------------------------------------------------------------------

    def lose_power(self, now_ms: int, off_ms: int) -> None:
        """The relay's supply is gone for a time."""
        self.powered = False
        self.no_scan_until_ms = max(self.no_scan_until_ms, now_ms + off_ms)

    # -- serial line ------------------------------------------------------------------------------------

    def command(self, text: str) -> bytes:
        """A whole command line from a command word and its fields: request number and CRC are added."""
        self.requests += 1
        word, _, fields = text.partition(" ")
        body = ("%s %d %s" % (word, self.requests, fields)).rstrip().encode("ascii")
        return body + b"*%04x\n" % crc_hqx(body, 0xFFFF)

    def bytes_in(self, gap_ms: int) -> bytes:
        """What arrives on the line in one scan: one waiting line, and what a flood brings in that time."""
        data = self.to_send.pop(0) if self.to_send else b""
        room = int(gap_ms * BYTES_PER_MS)
        for source in self.flood:
            data += source(max(0, room - len(data)))
        return data

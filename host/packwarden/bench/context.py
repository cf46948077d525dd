"""What a fault can reach: plant, sensors, switches, and the relay's clock, supply, serial line and memory."""

from __future__ import annotations

import random
from array import array
from binascii import crc_hqx
from typing import TYPE_CHECKING, Any, Callable, Dict, List, Optional, Tuple

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
from packwarden.bench.target import COUNTS, Target

if TYPE_CHECKING:
    from packwarden.plant import Plant, Sensors

BITS = {
    "key": KEY, "start": START, "unplug": UNPLUG, "interlock": INTERLOCK, "estop": ESTOP, "crash": CRASH,
    "service": SERVICE, "mainaux": MAINAUX, "reset": RESET, "pedal": PEDAL,
}  # fmt: skip
BYTES_PER_MS = 11.52  # 115 200 baud, ten bits a byte
SUPPLY_MS = 200  # a supply that failed is back no sooner than this: the processor's own reset
BROWN_OUT_V, BROWN_IN_V = 5.5, 6.5  # aux supply at which the relay's own supply fails, and is back

Undo = Callable[[], None]


class Bench:
    """Knobs that faults turn and the runner obeys: plain attributes, as the loop reads them each scan."""

    def __init__(self, plant: "Plant", sensors: "Sensors", target: Target, rng: random.Random) -> None:
        self.plant = plant
        self.sensors = sensors
        self.target = target
        self.rng = rng
        self.now_ms = 0
        self.scan_ms = 10
        self._layers: Dict[Tuple[int, str, Optional[int]], List[Any]] = {}
        # What the relay last said.
        self.out_bits = 0
        self.limit_permille = 0
        # Switches: raw = (person's & ~force_open) | force_closed.
        self.force_open = 0
        self.force_closed = 0
        self._forced: List[Tuple[int, bool]] = []
        self.held: Dict[str, int] = {}  # switches held by a hand of the scenario
        self.each: List[Callable[[], None]] = []  # called before each step: things that come and go
        self.counts = array("H", [0] * COUNTS)  # what was last sampled
        # The relay's clock and supply.
        self.powered = True
        self.no_scan_until_ms = 0
        self.pace_ms = 0  # each scan comes this long after the one before; 0: as it should
        self.clock_stops_until_ms = 0
        self.clock_points: List[Tuple[int, float]] = [(0, 0.0)]
        self.lag_ms = 0  # how far the relay's clock is behind
        # The serial line.
        self.drain = True
        self.to_send: List[bytes] = []
        self.flood: List[Callable[[int], bytes]] = []
        self.requests = 0
        # Bits of the memory to flip as the relay powers up: region, bit.
        self.spoilt: List[Tuple[str, int]] = []

    # -- knobs ------------------------------------------------------------------------------------------

    def turn(self, thing: Any, knob: str, value: Any, at: Optional[int] = None) -> Undo:
        """Set an attribute (or element `at` of a list that is one) until undone.  It must exist already.

        Several may turn the same knob: the latest that is still there counts, in whatever order they end.
        """
        where = (id(thing), knob, at)
        if where not in self._layers:
            self._layers[where] = [_read(thing, knob, at)]
        layer = [value]
        self._layers[where].append(layer)
        _write(thing, knob, at, value)

        def undo() -> None:
            layers = self._layers[where]
            layers[:] = [one for one in layers if one is not layer]
            if len(layers) == 1:
                _write(thing, knob, at, self._layers.pop(where)[0])
            else:
                _write(thing, knob, at, layers[-1][0])

        return undo

    # -- switches ---------------------------------------------------------------------------------------

    def force(self, name: str, closed: bool) -> Undo:
        """Hold a raw input at a state whatever the person does.  Of several that differ, closed counts."""
        bit = BITS[name]
        forced = (bit, closed)
        self._forced.append(forced)
        self._sum_forces()

        def undo() -> None:
            self._forced.remove(forced)
            self._sum_forces()

        return undo

    def _sum_forces(self) -> None:
        self.force_open = self.force_closed = 0
        for bit, closed in self._forced:
            if closed:
                self.force_closed |= bit
            else:
                self.force_open |= bit

    def hands(self, raw: int, plugged: bool) -> Tuple[int, bool]:
        """The person's inputs with what other hands hold; whether a live plug is really in."""
        for name, value in self.held.items():
            bit = BITS[name]
            raw = raw | bit if value else raw & ~bit
            if name == "unplug":
                plugged = not value
        return raw, plugged

    def while_on(self, act: Callable[[], None], after: Undo) -> Undo:
        """Call `act` before each step until undone; then call `after`."""
        self.each.append(act)

        def undo() -> None:
            self.each.remove(act)
            after()

        return undo

    def let_go(self, name: str) -> None:
        """A hand of the scenario leaves a switch."""
        self.held.pop(name, None)

    def busy(self) -> bool:
        """Something is going on that coarse scans would blur."""
        return bool(self.each or self.flood or self.pace_ms or not self.powered)

    # -- clock and supply -------------------------------------------------------------------------------

    def lose_power(self, now_ms: int, off_ms: int) -> None:
        """The relay's supply is gone for a time."""
        self.powered = False
        self.no_scan_until_ms = max(self.no_scan_until_ms, now_ms + off_ms)

    def dead(self) -> bool:
        """The relay has no power, and the supply is still too low for it to start."""
        return not self.powered and self.plant.aux_v < BROWN_IN_V

    def power_up(self) -> None:
        """The supply is back: the relay starts on the memory as it is by now."""
        for region, bit in self.spoilt:
            self.target.spoil(region, bit)
        self.spoilt.clear()
        self.target.power_cycle()
        self.powered = True

    def watch_supply(self) -> None:
        """The relay lives on the aux supply: too low, and it is off until the supply is back."""
        if self.powered and self.plant.aux_v < BROWN_OUT_V:
            self.lose_power(self.now_ms, SUPPLY_MS)

    def clock_behind(self, t_ms: int, gap_ms: int) -> int:
        """How far the relay's clock is behind after an interval of gap_ms, ms."""
        if self.clock_stops_until_ms:
            if t_ms <= self.clock_stops_until_ms:
                self.lag_ms += gap_ms
            else:
                self.clock_stops_until_ms = 0
            # Where the relay's clock and the scenario's were seen together, for reading its lines.
            self.clock_points.append((t_ms - self.lag_ms, t_ms / 1000.0))
        return self.lag_ms

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


def _read(thing: Any, knob: str, at: Optional[int]) -> Any:
    value = getattr(thing, knob)
    return value if at is None else value[at]


def _write(thing: Any, knob: str, at: Optional[int], value: Any) -> None:
    if at is None:
        setattr(thing, knob, value)
    else:
        getattr(thing, knob)[at] = value

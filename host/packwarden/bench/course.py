"""The person: turns the key, holds start, follows the road, parks, plugs in; no faster than a person is.

`Person.act` is asked ten times a second and sets what the person's hands and foot do until it is asked again.
The relay's lamps and the car's pull are all that the person sees of the relay.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Optional

if TYPE_CHECKING:
    from packwarden.bench.plan import Phase
    from packwarden.plant.vehicle import Driver

# Raw inputs, as in firmware/warden/modes.py (a test compares them).
KEY, START, UNPLUG, INTERLOCK, ESTOP, CRASH, SERVICE, MAINAUX, RESET, PEDAL, STRAP = [
    1 << n for n in range(11)
]
LOOPS = INTERLOCK | ESTOP | CRASH | SERVICE
PRE, ENABLE, TRIP_LAMP = 1 << 1, 1 << 3, 1 << 6

SETTLE_S = 1.0  # from key on to the start position: once the relay has tested itself, or it is no new press
HOLD_S = 8.0  # start is held no longer than this
READY_S = 3.0  # and precharge waited for no longer than this
PAUSE_S = 2.0  # before trying again
TRIES = 3
NOTICE_S = 1.0  # the car has stopped pulling: the foot comes off
PLUG_S = 1.0  # from the phase's start to the plug going in
PRESS_S = 1.0  # from the phase's start to the reset button
PRESS_FOR_S = 4.0


class Person:
    """`raw`: inputs as the person holds them; `demand_w`: W at the link; `plugged`: a live plug is in."""

    def __init__(self, driver: "Driver") -> None:
        self.raw = LOOPS | UNPLUG | PEDAL
        self.demand_w = 0.0
        self.plugged = False
        self.phase: Optional["Phase"] = None
        self.driver = driver
        self._road = False
        self._doing = ""
        self._since_s = 0.0
        self._tries = 0
        self._road_s = 0.0
        self._lost_s = -1.0

    def begin(self, phase: "Phase", t_s: float, road: bool) -> None:
        """Start a phase.  `road`: the driver has been pointed down one.

        A car that is being driven goes on being driven when the next phase is a drive, too.
        """
        driving = self._doing == "drive" and road
        self.phase = phase
        self._road = road
        self._to("drive" if driving else "wait" if road else phase.do, t_s)
        self._tries = TRIES
        self._road_s = t_s
        self.raw = (self.raw | KEY if phase.key else self.raw & ~KEY) & ~(START | RESET)
        if not phase.plug:
            self._plug(False)

    def act(self, t_s: float, dt_s: float, out_bits: int, delivered_w: float) -> None:
        """What the person does now, seeing the relay's outputs.

        delivered_w: what the car really got at the link, mean over the dt_s since the last act.
        """
        phase = self.phase
        if phase is None:
            return
        passed_s = t_s - phase.start_s
        if phase.plug and passed_s >= PLUG_S:
            self._plug(True)
        if self._doing == "reset":
            held = PRESS_S <= passed_s < PRESS_S + PRESS_FOR_S
            self.raw = self.raw | RESET if held else self.raw & ~RESET
        elif self._doing == "drive":
            self._watch(t_s, out_bits)
        elif self._road:
            self._start(t_s, out_bits)
        # A car that is not driven coasts, and its driver brakes.
        driving = self._doing == "drive"
        if dt_s > 0.0:
            road_s = t_s - self._road_s if driving else 0.0
            self.demand_w = self.driver.step(road_s, dt_s, delivered_w, driving)
        pressing = driving and self.driver.pressing
        self.raw = self.raw & ~PEDAL if pressing else self.raw | PEDAL

    def _start(self, t_s: float, out_bits: int) -> None:
        """wait -> hold -> ready -> drive; or pause, and again; or give up."""
        passed_s = t_s - self._since_s
        doing = self._doing
        if out_bits & ENABLE:
            self.raw &= ~START
            self._road_s = t_s
            self._lost_s = -1.0
            self._to("drive", t_s)
        elif doing == "wait" and passed_s >= SETTLE_S or doing == "pause" and passed_s >= PAUSE_S:
            if self._tries and not out_bits & TRIP_LAMP:
                self._tries -= 1
                self.raw |= START
                self._to("hold", t_s)
            else:
                self._to("gave up", t_s)
        elif doing == "hold" and out_bits & PRE:
            self.raw &= ~START
            self._to("ready", t_s)
        elif doing == "hold" and passed_s >= HOLD_S or doing == "ready" and passed_s >= READY_S:
            self.raw &= ~START
            self._to("pause", t_s)

    def _watch(self, t_s: float, out_bits: int) -> None:
        """Driving: does the car still pull?"""
        if out_bits & ENABLE:
            self._lost_s = -1.0
        elif self._lost_s < 0:
            self._lost_s = t_s
        elif t_s - self._lost_s >= NOTICE_S:
            self._to("pause", t_s)

    def _plug(self, there: bool) -> None:
        self.plugged = there
        self.raw = self.raw & ~UNPLUG if there else self.raw | UNPLUG

    def _to(self, doing: str, t_s: float) -> None:
        self._doing = doing
        self._since_s = t_s

"""How faults are put in and taken out: each function here is, or makes, the `begin` of rows in faults.py.

`begin(bench, place, size)` puts the fault in and returns what takes it out.  A knob that is not there is an
AttributeError, so that a fault is never silently without effect.  Modules and boxes are counted from 0.
"""

from __future__ import annotations

from typing import Any, Callable, List, Tuple

from packwarden.bench.context import Bench, Undo

Begin = Callable[[Bench, int, float], Undo]


def _forever() -> None:
    """Undoes nothing: for what can't be undone, or is over by itself."""


def part(name: str, knob: str, value: Callable[[float], Any]) -> Begin:
    """A knob of a part of the plant ("main", "bus", "charger", "isolation"), set from the size."""
    return lambda b, _k, x: b.turn(getattr(b.plant, name), knob, value(x))


def module(knob: str, value: Callable[[float, float], Any]) -> Begin:
    """A knob that each module (or box) of the string has; `value` takes what it was and the size."""

    def begin(b: Bench, k: int, x: float) -> Undo:
        string = b.plant.string
        return b.turn(string, knob, at=k, value=value(getattr(string, knob)[k], x))

    return begin


def sensor(knob: str, value: Callable[[float], Any]) -> Begin:
    """A knob of the sensors."""

    def begin(b: Bench, _k: int, x: float) -> Undo:
        return told(b, b.turn(b.sensors, knob, value(x)))

    return begin


def sensor_at(knob: str, value: Callable[[float], Any]) -> Begin:
    """A knob that the sensors have for each module, or for each box."""

    def begin(b: Bench, k: int, x: float) -> Undo:
        return told(b, b.turn(b.sensors, knob, at=k, value=value(x)))

    return begin


def told(b: Bench, back: Undo) -> Undo:
    """The sensors want to know that a knob was touched, both ways."""
    b.sensors.changed()

    def undo() -> None:
        back()
        b.sensors.changed()

    return undo


def loop(name: str, closed: bool) -> Begin:
    """A discrete input held at a state."""
    return lambda b, _k, _x: b.force(name, closed)


def yes(_x: float) -> bool:
    return True


def swapped(b: Bench, k: int, _x: float) -> Undo:
    return told(b, b.turn(b.sensors, "swapped", k))


def swapped_problem(boxes: Tuple[int, ...], k: int) -> str:
    """Leads are swapped with the next one up in the same box, so the last of a box has none."""
    ends = []
    end = 0
    for count in boxes:
        end += count
        ends.append(end - 1)
    return "a module with another above it in its box" if k in ends else ""


def frozen(b: Bench, k: int, _x: float) -> Undo:
    b.sensors.freeze(k, b.counts)
    b.sensors.frozen[k] = False
    return told(b, b.turn(b.sensors, "frozen", at=k, value=True))


def frozen_head(b: Bench, k: int, _x: float) -> Undo:
    b.sensors.freeze_head(k, b.counts)
    b.sensors.frozen_head[k] = False
    return told(b, b.turn(b.sensors, "frozen_head", at=k, value=True))


def silent(b: Bench, k: int, _x: float) -> Undo:
    b.sensors.absent |= 1 << k

    def undo() -> None:
        b.sensors.absent &= ~(1 << k)

    return undo


def flicker(name: str) -> Begin:
    """An input that opens `size` times a second, for a fifth of the time."""

    def begin(b: Bench, _k: int, hz: float) -> Undo:
        period_ms = max(1.0, 1000.0 / hz)
        start_ms = b.now_ms
        undos: List[Undo] = []

        def act() -> None:
            opens = (b.now_ms - start_ms) % period_ms < 0.2 * period_ms
            if opens and not undos:
                undos.append(b.force(name, False))
            elif not opens and undos:
                undos.pop()()

        return b.while_on(act, lambda: undos.pop()() if undos else None)

    return begin


def empty(b: Bench, k: int, x: float) -> Undo:
    b.plant.string.set_charge_state(k, x)
    return _forever


def capacity(b: Bench, k: int, x: float) -> Undo:
    """Capacity is lost with the charge that was in it: the module keeps its charge state, never its charge."""
    string = b.plant.string

    def at_same_state(act: Callable[[], Any]) -> Any:
        charge_state = string.charge_state(k)
        done = act()
        string.set_charge_state(k, charge_state)
        return done

    back = at_same_state(lambda: b.turn(string, "capacity_scale", at=k, value=string.capacity_scale[k] * x))
    return lambda: at_same_state(back)


def dry(b: Bench, k: int, x: float) -> Undo:
    """Water lost: less capacity, more resistance."""
    string = b.plant.string
    less = capacity(b, k, x)
    more = b.turn(string, "resistance_scale", at=k, value=string.resistance_scale[k] / x)

    def undo() -> None:
        more()
        less()  # last, as it brings what hangs on the charge state up to date

    return undo


def leak_module(b: Bench, k: int, x: float) -> Undo:
    return b.turn(b.plant.isolation, "leak_at", (k, x * 1000.0))


def sag(b: Bench, _k: int, x: float) -> Undo:
    bus = b.plant.bus
    # The DC-DC helps with its 40 A before the battery falls.
    return b.turn(bus, "aux_extra_a", x / (bus.spec.aux_ohm * bus.aux_ohm_scale) + 40.0)


def dip(b: Bench, _k: int, x: float) -> Undo:
    bus = b.plant.bus
    before = bus.aux_extra_a
    amps = x / (bus.spec.aux_ohm * bus.aux_ohm_scale)

    def act() -> None:
        # While the main contactor's coil has been on for less than a tenth of a second.
        dips = bool(b.out_bits & 1) and (not bus.main.coil or bus.main.coil_s < 0.1)
        bus.aux_extra_a = before + (amps if dips else 0.0)

    return b.while_on(act, lambda: setattr(bus, "aux_extra_a", before))


def late(b: Bench, _k: int, x: float) -> Undo:
    b.no_scan_until_ms = max(b.no_scan_until_ms, b.now_ms + b.scan_ms + int(x))
    return _forever


def clock(b: Bench, _k: int, x: float) -> Undo:
    b.clock_stops_until_ms = b.now_ms + int(x)
    return _forever


def brown_out(b: Bench, _k: int, x: float) -> Undo:
    b.lose_power(b.now_ms, int(x))
    return _forever


def memory(region: str) -> Begin:
    def begin(b: Bench, _k: int, x: float) -> Undo:
        b.spoilt.append((region, int(x)))
        return _forever

    return begin


def flood(source: Callable[[Bench, float], Callable[[int], bytes]]) -> Begin:
    """Something that fills the serial line."""

    def begin(b: Bench, _k: int, x: float) -> Undo:
        one = source(b, x)
        b.flood.append(one)
        return lambda: b.flood.remove(one)

    return begin


def garbage(b: Bench, percent: float) -> Callable[[int], bytes]:
    return lambda room: bytes(b.rng.getrandbits(8) for _ in range(int(room * percent / 100.0)))


def torn(b: Bench, per_s: float) -> Callable[[int], bytes]:
    def source(room: int) -> bytes:
        if room < 40 or b.rng.random() >= per_s / 100.0:
            return b""
        line = b.command("get name=n_modules")
        return line[: b.rng.randrange(1, len(line))] + (b"\n" if b.rng.random() < 0.5 else b"")

    return source


def replayed(b: Bench, per_s: float) -> Callable[[int], bytes]:
    line = b.command("set name=e27_on value=0")
    return lambda room: line if room >= len(line) and b.rng.random() < per_s / 100.0 else b""


def oversize(b: Bench, length: float) -> Callable[[int], bytes]:
    left = [0]

    def source(room: int) -> bytes:
        if left[0] <= 0:
            left[0] = int(length)
        n = min(room, left[0])
        left[0] -= n
        return b"a" * n + (b"\n" if left[0] <= 0 else b"")

    return source

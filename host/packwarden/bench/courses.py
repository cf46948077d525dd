"""What a person does in a cell of the campaign: one short standard course for each mode in which a fault begins.

Each course brings the relay into its mode, leaves it there long enough for a fault to be seen, and then goes on
with what a person would do next, so that a fault that sleeps has its chance: drive off, park, charge, come back.
`data` writes a cell down as a scenario file would, so that what runs here and what `packwarden bench` runs from
a file is one and the same.
"""

from __future__ import annotations

from typing import Any, Dict, List, Mapping, NamedTuple, Tuple

from packwarden.bench.faults import KINDS

MODES = ("rest", "precharge", "drive", "charge", "lockout")


class Moment(NamedTuple):
    """When a fault begins: at_s from the start, or from the relay's first entry into `when_mode`."""

    at_s: float
    when_mode: str
    about: str


# The moments of each mode, the first is the usual one.
MOMENTS: Dict[str, Tuple[Moment, ...]] = {
    "rest": (Moment(3.0, "", "parked"), Moment(5.535, "", "parked, later")),
    "precharge": (
        Moment(0.0, "precharge", "as precharge begins"),
        Moment(2.0, "", "just before the start"),
        Moment(0.4, "precharge", "halfway through precharge"),
    ),
    "drive": (
        Moment(8.0, "", "at light load, before a step up"),
        Moment(11.535, "", "at heavy load"),
        Moment(18.115, "", "at heavy load, later"),
    ),
    "charge": (Moment(8.0, "", "charging"), Moment(12.535, "", "charging, later")),
    "lockout": (Moment(9.0, "", "locked out, parked"), Moment(13.535, "", "locked out, just before the reset")),
}


class Slow(NamedTuple):
    """A kind that needs more time, or a fuller or emptier pack, to show: the course waits `more_s` in the mode."""

    charge_state: float
    more_s: float
    scan_ms: int


USUAL = Slow(0.8, 0.0, 10)
SLOW: Dict[str, Slow] = {
    "current_drift": Slow(0.8, 120.0, 100),
    "charger_runaway": Slow(1.0, 900.0, 200),
    "charger_voltage": Slow(1.0, 900.0, 200),
    "charger_stuck": Slow(1.0, 900.0, 200),
    "capacity_loss": Slow(0.12, 300.0, 100),
    "dried_out": Slow(0.12, 300.0, 100),
    "self_discharge": Slow(0.8, 300.0, 200),
}

LOADS_W = {True: (1200.0, 4000.0), False: (6000.0, 20000.0)}  # light and heavy, of a boat and of a car
POWER_CYCLE_S = 2.0  # a fault in the memory is seen at a power-up: this long after it there is one
PLUGGED_STARTS = ("plug_unseen",)  # whoever drives off with these has forgotten the plug


def heaviest_w(boat: bool) -> float:
    """The most power that any course asks for, W."""
    return LOADS_W[boat][1]


def usual(kinds: List[str]) -> Slow:
    """Charge state and patience of a cell with these faults: the first kind that needs its own decides."""
    return next((SLOW[kind] for kind in kinds if kind in SLOW), USUAL)


def _course(mode: str, boat: bool, slow: Slow, plug: bool) -> List[Dict[str, Any]]:
    light_w, heavy_w = LOADS_W[boat]

    def drive(for_s: float, watts: float = light_w, **more: Any) -> Dict[str, Any]:
        return {"do": "drive", "for_s": for_s, "power_w": watts, **more}

    def still(do: str, for_s: float) -> Dict[str, Any]:
        return {"do": do, "for_s": for_s}

    def wait(do: Dict[str, Any]) -> List[Dict[str, Any]]:
        return [dict(do, name="wait", for_s=slow.more_s, scan_ms=slow.scan_ms)] if slow.more_s else []

    again = [drive(4.0, plug=plug), drive(4.0, heavy_w, plug=plug)] if plug else [drive(4.0), drive(4.0, heavy_w)]
    end = [still("park", 6.0), still("idle", 3.0)]
    if mode == "rest":
        middle = [still("park", 8.0), *wait(still("park", 0.0)), still("charge", 8.0)]
        # Whoever forgets the plug has not pulled it; nobody waits, then.
        return middle + ([] if plug else [still("park", 5.0)]) + again + end
    if mode == "precharge":
        return [still("park", 3.0), drive(8.0), drive(4.0, heavy_w), *wait(drive(0.0)), drive(4.0), *end]
    if mode == "drive":
        first = [still("park", 3.0), drive(7.0), drive(4.0, heavy_w), *wait(drive(0.0, heavy_w))]
        return first + [drive(3.0), drive(4.0, heavy_w)] * 2 + [drive(3.0), *end]
    if mode == "charge":
        middle = [still("charge", 24.0), *wait(still("charge", 0.0))]
        return middle + ([] if plug else [still("park", 5.0)]) + again + end
    first = [still("park", 3.0), drive(5.0), still("park", 8.0), *wait(still("park", 0.0))]
    return first + [still("reset", 7.0), *again, *end]


def data(cell: Mapping[str, Any], boat: bool, faulty: bool = True) -> Dict[str, Any]:
    """A cell as a scenario file's data.  `boat`: its pack drives one; not `faulty`: the same course in health."""
    kinds = [fault["kind"] for fault in cell["faults"]]
    slow = usual(kinds)
    plug = any(kind in PLUGGED_STARTS for kind in kinds)
    moment = MOMENTS[cell["mode"]][cell["moment"]]
    out: Dict[str, Any] = {
        "scenario": {
            "name": cell["key"], "about": about(cell), "pack": cell["pack"], "seed": cell["seed"],
        },
        "start": {"charge_state": slow.charge_state},
        "course": _course(cell["mode"], boat, slow, plug),
    }  # fmt: skip
    if cell["mode"] == "lockout":
        out["input"] = [{"at_s": 6.0, "name": "estop", "value": 0, "for_s": 1.0}]
    if not faulty:
        return out
    faults = []
    for fault in cell["faults"]:
        kind = KINDS[fault["kind"]]
        entry: Dict[str, Any] = {"kind": kind.name, "at_s": round(moment.at_s + fault.get("later_s", 0.0), 3)}
        if moment.when_mode:
            entry["when_mode"] = moment.when_mode
        if kind.place != "none":
            entry[kind.place] = fault["place"] + 1
        if kind.low != kind.high:
            entry["size"] = fault["size"]
        faults.append(entry)
        if kind.needs == "memory":
            # The moment of the mode is not known beforehand for a power cycle, but the course's times are.
            out["power_cycle"] = [
                {k: v for k, v in entry.items() if k == "when_mode"}
                | {"at_s": round(entry["at_s"] + POWER_CYCLE_S, 3), "off_s": 0.5}
            ]
    if faults:
        out["fault"] = faults
    return out


def about(cell: Mapping[str, Any]) -> str:
    """A cell in a sentence."""
    if not cell["faults"]:
        return "nothing is broken: the course of %s" % cell["mode"]
    named = []
    for fault in cell["faults"]:
        kind = KINDS[fault["kind"]]
        text = kind.name
        if kind.place != "none":
            text += " at %s %d" % (kind.place, fault["place"] + 1)
        if kind.low != kind.high:
            text += ", %g %s" % (fault["size"], kind.unit)
        named.append(text)
    return "%s: %s" % (MOMENTS[cell["mode"]][cell["moment"]].about, "; ".join(named))

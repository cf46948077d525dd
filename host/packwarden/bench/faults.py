"""The fault library: one table of kinds, what each is, where it can be and how large.

A row's `begin(bench, place, size)` puts the fault in and returns what takes it out; injection.py makes them.
Modules and boxes are counted from 0 here.
"""

from __future__ import annotations

from typing import Any, Dict, NamedTuple, Tuple

from packwarden.bench import injection as put
from packwarden.bench.injection import Begin
from warden import journal, settings

ANY_MODE = ("rest", "precharge", "drive", "charge", "lockout")
STILL = ("rest", "charge", "lockout")
LOADED = ("precharge", "drive")
DRIVING = ("drive",)
START = ("rest", "precharge")
CHARGING = ("charge",)
AWAKE = ("rest", "drive", "charge")


class Kind(NamedTuple):
    """One kind of fault.  A size with low == high has no meaning: the fault is there or it is not."""

    name: str
    group: str
    about: str
    place: str  # none, module or box
    unit: str
    low: float
    high: float
    default: float
    size_about: str
    modes: Tuple[str, ...]  # modes in which it can begin and matter
    needs: str  # what it needs of a target, "" nothing (see target.CAN)
    undone: bool  # whether it can end
    begin: Begin


NO = (0.0, 0.0, 0.0)  # a size without meaning
SETTINGS_BITS = 8 * (settings.IMAGE_BYTES - 2)  # the last two bytes are padding behind the CRC
JOURNAL_BITS = 8 * journal.IMAGE_BYTES


def _rows() -> Tuple[Tuple[Any, ...], ...]:
    """name, about, place, unit, (low, high, default), meaning of size, modes, needs, can end, begin."""
    return (
        ("Sense leads",),
        ("lead_open", "the upper sense lead of a module is off", "module", "", NO, "", ANY_MODE, "", True,
         put.sensor_at("lead_open", put.yes)),
        ("reference_open", "the lead to a box's own negative is off: the head floats", "box", "", NO, "",
         ANY_MODE, "", True, put.sensor_at("ref_open", put.yes)),
        ("lead_swapped", "the upper leads of a module and the next one up are crossed", "module", "", NO, "",
         ANY_MODE, "", True, put.swapped),
        ("lead_short", "the upper lead of a module touches the next one up", "module", "", NO, "", ANY_MODE,
         "", True, put.sensor_at("lead_short", put.yes)),
        ("lead_resistance", "corrosion in the upper lead of a module", "module", "kohm",
         (0.1, 10000.0, 200.0), "series resistance", ANY_MODE, "", True,
         put.sensor_at("lead_ohm", lambda x: x * 1000.0)),
        ("string_tap_open", "the string tap's lead is off", "none", "", NO, "", ANY_MODE, "", True,
         put.sensor("string_open", put.yes)),
        ("link_tap_open", "the link tap's lead is off", "none", "", NO, "", ANY_MODE, "", True,
         put.sensor("link_open", put.yes)),
        ("aux_tap_open", "the aux tap's lead is off", "none", "", NO, "", ANY_MODE, "", True,
         put.sensor("aux_open", put.yes)),
        ("Converters",),
        ("channel_frozen", "the channel of a module gives its last count for ever", "module", "", NO, "",
         AWAKE, "", True, put.frozen),
        ("head_frozen", "a head gives its last counts for ever", "box", "", NO, "", AWAKE, "", True,
         put.frozen_head),
        ("head_silent", "a head does not answer", "box", "", NO, "", ANY_MODE, "", True, put.silent),
        ("gain_drift", "the gain of a module's upper tap has drifted", "module", "%", (-50.0, 50.0, 3.0),
         "drift", AWAKE, "", True, put.sensor_at("gain", lambda x: 1.0 + x / 100.0)),
        ("tap_offset", "the upper tap of a module reads off", "module", "mV", (-5000.0, 5000.0, 800.0),
         "added to the tap", AWAKE, "", True, put.sensor_at("offset_v", lambda x: x / 1000.0)),
        ("reference_drift", "a head's reference has fallen: all its readings are high", "box", "%",
         (-50.0, 50.0, 3.0), "how far", AWAKE, "", True, put.sensor_at("ref_drift", lambda x: x / 100.0)),
        ("noise", "every voltage reading is noisy", "none", "times", (1.0, 1000.0, 50.0),
         "against healthy noise", AWAKE, "", True, put.sensor("noise_scale", lambda x: x)),
        ("spikes", "one reading in six of a module's tap is far off", "module", "V", (-20.0, 20.0, 5.0),
         "added to the tap", AWAKE, "", True, put.sensor_at("spike", lambda x: x)),
        ("mux_shifted", "a head's multiplexer is one place off", "box", "", NO, "", ANY_MODE, "", True,
         put.sensor_at("mux_shift", put.yes)),
        ("string_gain", "the string tap's gain has drifted", "none", "%", (-50.0, 50.0, -8.0), "drift", AWAKE,
         "", True, put.sensor("string_gain", lambda x: 1.0 + x / 100.0)),
        ("link_gain", "the link tap's gain has drifted", "none", "%", (-50.0, 50.0, -8.0), "drift", AWAKE, "",
         True, put.sensor("link_gain", lambda x: 1.0 + x / 100.0)),
        ("iso_frozen", "the isolation taps give their last counts for ever", "none", "", NO, "", AWAKE, "",
         True, put.sensor("iso_stuck", put.yes)),
        ("Current sensor",),
        ("current_offset", "the current sensor reads off", "none", "A", (-500.0, 500.0, 15.0), "added", AWAKE,
         "", True, put.sensor("current_offset_a", lambda x: x)),
        ("current_gain", "the current sensor's gain is wrong", "none", "%", (-99.0, 300.0, -30.0), "how far",
         DRIVING, "", True, put.sensor("current_gain", lambda x: 1.0 + x / 100.0)),
        ("current_dead", "the current sensor shows no current", "none", "", NO, "", DRIVING + CHARGING, "",
         True, put.sensor("current_dead", put.yes)),
        ("current_saturated", "the current sensor is stuck at a current", "none", "A", (-600.0, 600.0, 520.0),
         "shown", AWAKE, "", True, put.sensor("current_stuck_a", lambda x: x)),
        ("current_inverted", "the current sensor is the wrong way round", "none", "", NO, "",
         DRIVING + CHARGING, "", True, put.sensor("current_gain", lambda _x: -1.0)),
        ("current_drift", "the current sensor drifts away", "none", "A/min", (-100.0, 100.0, 10.0),
         "how fast", AWAKE, "", True, put.sensor("current_drift_a_per_s", lambda x: x / 60.0)),
        ("Temperature probes",),
        ("probe_open", "a box's probe is open", "box", "", NO, "", AWAKE, "", True,
         put.sensor_at("probe_fault", lambda _x: "open")),
        ("probe_short", "a box's probe is shorted", "box", "", NO, "", AWAKE, "", True,
         put.sensor_at("probe_fault", lambda _x: "short")),
        ("probe_offset", "a box's probe reads off", "box", "degC", (-60.0, 80.0, 15.0), "added", AWAKE, "",
         True, put.sensor_at("probe_offset_c", lambda x: x)),
        ("probe_frozen", "a box's probe shows its last temperature for ever", "box", "", NO, "", AWAKE, "",
         True, put.sensor_at("probe_fault", lambda _x: "frozen")),
        ("Contactors",),
        ("main_stuck_open", "main does not close, or lets go", "none", "", NO, "", LOADED, "", True,
         put.part("main", "stuck_open", put.yes)),
        ("main_welded", "main is welded", "none", "", NO, "", ANY_MODE, "", True,
         put.part("main", "welded", put.yes)),
        ("main_chatter", "main's contacts part and meet while its coil is on", "none", "Hz",
         (1.0, 50.0, 10.0), "how often", DRIVING, "", True, put.part("main", "chatter_hz", lambda x: x)),
        ("main_slow_release", "main opens late", "none", "ms", (12.0, 10000.0, 1500.0), "release time",
         DRIVING, "", True, put.part("main", "release_s", lambda x: x / 1000.0)),
        ("main_slow_pull_in", "main closes late", "none", "ms", (30.0, 10000.0, 500.0), "pull-in time",
         LOADED, "", True, put.part("main", "pull_in_s", lambda x: x / 1000.0)),
        ("aux_contact_open", "main's auxiliary contact stays open", "none", "", NO, "", LOADED, "", True,
         put.part("main", "aux_stuck", lambda _x: 0)),
        ("aux_contact_closed", "main's auxiliary contact stays closed", "none", "", NO, "", ANY_MODE, "",
         True, put.part("main", "aux_stuck", lambda _x: 1)),
        ("precharge_stuck_open", "the precharge contactor does not close", "none", "", NO, "", START, "",
         True, put.part("precharge", "stuck_open", put.yes)),
        ("precharge_welded", "the precharge contactor is welded", "none", "", NO, "", ANY_MODE, "", True,
         put.part("precharge", "welded", put.yes)),
        ("charger_relay_open", "the charger's contactor does not close", "none", "", NO, "", CHARGING, "",
         True, lambda b, _k, _x: b.turn(b.plant.bus.charger_relay, "stuck_open", True)),
        ("charger_relay_welded", "the charger's contactor is welded", "none", "", NO, "", CHARGING, "", True,
         lambda b, _k, _x: b.turn(b.plant.bus.charger_relay, "welded", True)),
        ("Precharge resistor and link",),
        ("resistor_open", "the precharge resistor is burnt open", "none", "", NO, "", START, "", True,
         put.part("bus", "precharge_scale", lambda _x: 1e9)),
        ("resistor_low", "the precharge resistor is too small", "none", "times", (0.001, 1.0, 0.1),
         "against nominal", START, "", True, put.part("bus", "precharge_scale", lambda x: x)),
        ("resistor_high", "the precharge resistor is too large", "none", "times", (1.0, 1000.0, 3.0),
         "against nominal", START, "", True, put.part("bus", "precharge_scale", lambda x: x)),
        ("link_short", "something across the link", "none", "ohm", (0.01, 10000.0, 1.0), "its resistance",
         START, "", True, put.part("bus", "link_short_ohm", lambda x: x)),
        ("capacitor_lost", "the link capacitor has lost capacitance", "none", "times", (0.001, 1.0, 0.001),
         "what is left", START, "", True, put.part("bus", "link_scale", lambda x: x)),
        ("bleed_open", "the bleed resistor is open", "none", "", NO, "", ANY_MODE, "", True,
         put.part("bus", "bleed_scale", lambda _x: 1e9)),
        ("fuse_blown", "the main fuse has blown", "none", "", NO, "", ANY_MODE, "", True,
         put.part("bus", "fuse_blown", put.yes)),
        ("Switches and loops",),
        ("interlock_open", "the interlock loop is open", "none", "", NO, "", ANY_MODE, "", True,
         put.loop("interlock", False)),
        ("interlock_flicker", "the interlock loop opens for a fifth of the time", "none", "Hz",
         (0.2, 50.0, 5.0), "how often", AWAKE, "", True, put.flicker("interlock")),
        ("crash", "the crash switch is open", "none", "", NO, "", ANY_MODE, "", True,
         put.loop("crash", False)),
        ("service_pulled", "the service disconnect's contact is open", "none", "", NO, "", ANY_MODE, "", True,
         put.loop("service", False)),
        ("estop", "the emergency stop is pressed", "none", "", NO, "", ANY_MODE, "", True,
         put.loop("estop", False)),
        ("plug_seen", "the plug loop is open without a plug", "none", "", NO, "", AWAKE + ("precharge",), "",
         True, put.loop("unplug", False)),
        ("plug_unseen", "the plug loop stays closed: a plug is not seen", "none", "", NO, "", STILL, "", True,
         put.loop("unplug", True)),
        ("start_stuck", "the start switch sticks", "none", "", NO, "", AWAKE, "", True,
         put.loop("start", True)),
        ("reset_stuck", "the reset button sticks", "none", "", NO, "", ANY_MODE, "", True,
         put.loop("reset", True)),
        ("key_bounce", "the key's contact opens for a fifth of the time", "none", "Hz", (0.2, 50.0, 5.0),
         "how often", LOADED, "", True, put.flicker("key")),
        ("key_stuck", "the key's contact stays closed", "none", "", NO, "", AWAKE, "", True,
         put.loop("key", True)),
        ("pedal_stuck", "the pedal contact says released whatever the pedal does", "none", "", NO, "", START,
         "", True, put.loop("pedal", True)),
        ("Charger",),
        ("charger_runaway", "the charger keeps its power whatever the voltage", "none", "", NO, "", CHARGING,
         "", True, put.part("charger", "runaway", put.yes)),
        ("charger_voltage", "the charger's set voltage is wrong", "none", "V", (-5.0, 8.0, 1.5),
         "added for each module", CHARGING, "", True, put.part("charger", "offset_v", lambda x: x)),
        ("charger_ignores_enable", "the charger feeds past the relay's contactor", "none", "", NO, "",
         CHARGING, "", True, put.part("charger", "ignores_enable", put.yes)),
        ("charger_stuck", "the charger is stuck at a current", "none", "A", (0.0, 200.0, 30.0), "delivered",
         CHARGING, "", True, put.part("charger", "stuck_a", lambda x: x)),
        ("Modules",),
        ("capacity_loss", "a module has lost capacity", "module", "times", (0.01, 1.0, 0.4), "what is left",
         ("drive", "charge"), "", True, put.capacity),
        ("resistance_rise", "a module's resistance has risen", "module", "times", (1.0, 100.0, 5.0),
         "against before", DRIVING, "", True, put.module("resistance_scale", lambda was, x: was * x)),
        ("cell_shorted", "one cell of a module is shorted", "module", "V", (0.5, 8.0, 2.1), "lost", AWAKE, "",
         True, put.module("ocv_offset_v", lambda was, x: was - x)),
        ("self_discharge", "a module discharges itself", "module", "times", (1.0, 100000.0, 10000.0),
         "against healthy", STILL, "", True, put.module("self_discharge_scale", lambda was, x: was * x)),
        ("dried_out", "a module has lost water: capacity down and resistance up", "module", "times",
         (0.05, 1.0, 0.3), "of capacity left; resistance rises by its inverse", ("drive", "charge"), "", True,
         put.dry),
        ("module_empty", "a module is empty at once", "module", "of full", (0.0, 1.0, 0.03),
         "its charge state", DRIVING, "", False, put.empty),
        ("joint_resistance", "a joint at a module's post is bad", "module", "mohm", (0.0, 1000.0, 5.0),
         "added", DRIVING, "", True, put.module("joint_ohm", lambda was, x: was + x / 1000.0)),
        ("box_hot", "a box is hot", "box", "degC", (20.0, 120.0, 60.0), "its temperature", AWAKE, "", True,
         put.module("box_temp_forced_c", lambda _was, x: x)),
        ("box_cold", "a box is cold", "box", "degC", (-40.0, 20.0, -10.0), "its temperature",
         ("rest", "charge"), "", True, put.module("box_temp_forced_c", lambda _was, x: x)),
        ("Isolation",),
        ("leak_positive", "a leak from the pack's positive end to the chassis", "none", "kohm",
         (0.01, 10000.0, 5.0), "its resistance", AWAKE, "", True,
         put.part("isolation", "leak_pos_ohm", lambda x: x * 1000.0)),
        ("leak_negative", "a leak from the pack's negative end to the chassis", "none", "kohm",
         (0.01, 10000.0, 5.0), "its resistance", AWAKE, "", True,
         put.part("isolation", "leak_neg_ohm", lambda x: x * 1000.0)),
        ("leak_module", "a leak from a module's positive post to the chassis", "module", "kohm",
         (0.01, 10000.0, 5.0), "its resistance", AWAKE, "", True, put.leak_module),
        ("Aux supply",),
        ("aux_sag", "the aux supply sags", "none", "V", (0.1, 12.0, 4.0), "by how much", ANY_MODE, "", True,
         put.sag),
        ("dcdc_dead", "the DC-DC feeds nothing", "none", "", NO, "", DRIVING, "", True,
         put.part("bus", "dcdc_dead", put.yes)),
        ("battery_weak", "the aux battery's resistance has risen", "none", "times", (1.0, 1000.0, 60.0),
         "against healthy", ANY_MODE, "", True, put.part("bus", "aux_ohm_scale", lambda x: x)),
        ("aux_dip", "the aux supply dips while main pulls in", "none", "V", (0.1, 12.0, 5.0), "by how much",
         START, "", True, put.dip),
        ("Motor controller",),
        ("controller_ignores_enable", "the controller does what the pedal says, enabled or not", "none", "",
         NO, "", DRIVING, "", True, put.part("bus", "controller_ignores_enable", put.yes)),
        ("controller_ignores_limit", "the controller does not obey the power limit", "none", "", NO, "",
         DRIVING, "", True, put.part("bus", "controller_ignores_limit", put.yes)),
        ("controller_runaway", "the controller draws power that no one asked for", "none", "W",
         (0.0, 200000.0, 30000.0), "how much", DRIVING, "", True, put.part("bus", "runaway_w", lambda x: x)),
        ("controller_shorted", "the controller's bridge shorts the link", "none", "", NO, "", LOADED, "",
         True, put.part("bus", "controller_short", put.yes)),
        ("Time and supply of the relay",),
        ("scan_late", "one scan comes late", "none", "ms", (1.0, 10000.0, 100.0), "how late", ANY_MODE,
         "timing", False, put.late),
        ("scans_slow", "every scan takes this long", "none", "ms", (11.0, 5000.0, 60.0),
         "from one to the next", ANY_MODE, "timing", True, lambda b, _k, x: b.turn(b, "pace_ms", int(x))),
        ("clock_stops", "the relay's clock stands still while it scans on", "none", "ms",
         (10.0, 60000.0, 2000.0), "how long", ANY_MODE, "timing", False, put.clock),
        ("brown_out", "the relay's supply fails", "none", "ms", (1.0, 100000.0, 100.0), "how long", ANY_MODE,
         "power", False, put.brown_out),
        ("Serial line",),
        ("line_garbage", "noise comes in on the line", "none", "%", (1.0, 100.0, 100.0),
         "of what the line can carry", ANY_MODE, "serial", True, put.flood(put.garbage)),
        ("line_unread", "no one reads what the relay says", "none", "", NO, "", ANY_MODE, "serial", True,
         lambda b, _k, _x: b.turn(b, "drain", False)),
        ("line_torn", "commands come cut short", "none", "/s", (0.1, 100.0, 20.0), "how many", ANY_MODE,
         "serial", True, put.flood(put.torn)),
        ("line_replayed", "one whole command, to switch 27 off, comes again and again", "none", "/s",
         (0.1, 100.0, 20.0), "how many", ANY_MODE, "serial", True, put.flood(put.replayed)),
        ("line_oversize", "lines far too long come in", "none", "characters", (97.0, 100000.0, 2000.0),
         "their length", ANY_MODE, "serial", True, put.flood(put.oversize)),
        ("Memory of the relay",),
        ("settings_bit", "a bit of the stored settings flips; seen at the next power-up", "none", "bit",
         (0.0, SETTINGS_BITS - 1.0, 300.0), "which, from the start", ANY_MODE, "memory", False,
         put.memory("settings")),
        ("journal_bit", "a bit of the stored journal flips; seen at the next power-up", "none", "bit",
         (0.0, JOURNAL_BITS - 1.0, 300.0), "which, from the start", ANY_MODE, "memory", False,
         put.memory("journal")),
    )  # fmt: skip


def _kinds() -> Dict[str, Kind]:
    kinds: Dict[str, Kind] = {}
    group = ""
    for row in _rows():
        if len(row) == 1:
            group = row[0]
            continue
        name, about, place, unit, (low, high, default), size_about, modes, needs, undone, begin = row
        kinds[name] = Kind(
            name, group, about, place, unit, low, high, default, size_about, modes, needs, undone, begin
        )  # fmt: skip
    return kinds


KINDS = _kinds()


def problem(kind: str, boxes: Tuple[int, ...], place: int) -> str:
    """What is allowed instead, when this kind can't be at this place of a pack; empty when it can."""
    if kind in ("lead_swapped", "lead_short"):
        return put.swapped_problem(boxes, place)
    return ""


def reference() -> str:
    """The library as Markdown, a table for each group."""
    out = []
    group = ""
    for kind in KINDS.values():
        if kind.group != group:
            group = kind.group
            out += [
                "",
                "### " + group,
                "",
                "| kind | what it is | place | size | in modes |",
                "|---|---|---|---|---|",
            ]
        size = ""
        if kind.low != kind.high:
            size = "%s: %g to %g %s, default %g" % (
                kind.size_about,
                kind.low,
                kind.high,
                kind.unit,
                kind.default,
            )
        about = kind.about if kind.undone else kind.about + " (can't be undone)"
        out.append("| `%s` | %s | %s | %s | %s |" % (kind.name, about, kind.place, size, ", ".join(kind.modes)))
    return "\n".join(out[1:]) + "\n"

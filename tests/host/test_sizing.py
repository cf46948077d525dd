"""Sizing put together: packs and parts through every topic, what is refused and why, and how results move."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packwarden import packs, paths
from packwarden.bench import reference as pages
from packwarden.errors import InputError
from packwarden.plant.bus import OUT_MAIN, OUT_PRECHARGE, Bus
from packwarden.plant.string import String
from packwarden.sizing import budget, coil, conductors, drive, isolation, power, precharge, reference, topics
from packwarden.sizing.job import Job
from packwarden.sizing.parts import Adc, Calibration, Divider, Parts, load_parts
from packwarden.sizing.result import OK, REFUSE, TABLE, TIGHT, Result, above_zero, at_least, at_most, told
from warden import sense
from warden import settings as relay_settings

PARTS = load_parts()
TRUCK, LAUNCH = packs.load_pack("orchard-truck"), packs.load_pack("lake-launch")


def job(pack: Any = TRUCK, parts: Parts = PARTS, **over: int) -> Job:
    """A job with settings changed."""
    return Job.of(dataclasses.replace(pack, settings={**pack.settings, **over}), parts)


def only(name: str, *, of: Job) -> dict[str, Result]:
    """Results of one topic by name."""
    return {r.name: r for d in topics.run(of, [name]) for r in d.report.results}


def changed(table: str, **values: float) -> Parts:
    """The reference parts with one table changed."""
    return dataclasses.replace(PARTS, **{table: dataclasses.replace(getattr(PARTS, table), **values)})


# -- what is refused -----------------------------------------------------------------------------------------


def test_what_ships_is_not_refused() -> None:
    """The reference hardware fits both packs that ship."""
    for pack in (TRUCK, LAUNCH):
        for done in topics.run(job(pack)):
            assert done.verdict != REFUSE, [r for r in done.report.results if r.verdict == REFUSE]


@pytest.mark.parametrize("topic, name, parts, over, word", [
    ("thresholds", "thresholds.60_alarm.balanced", PARTS, {"v60_pickup_mv": 300, "v60_dropout_mv": 200},
     "the pickup lies below the error"),
    ("thresholds", "thresholds.60_alarm.release", PARTS, {"v60_dropout_mv": 150}, "the dropout lies below the error"),
    ("thresholds", "thresholds.59_time.charge", PARTS, {"v59_pickup_mv": 14550, "v59_dropout_mv": 14400},
     "the margin lies below the error"),
    ("thresholds", "thresholds.59_time.hysteresis", dataclasses.replace(PARTS, use_adc="narrow"),
     {"v59_dropout_mv": 14960}, "the hysteresis lies below the noise: the stage would chatter"),
    ("thresholds", "thresholds.60_alarm.balanced", changed("divider", tempco_per_k=50e-6), {}, "below the error"),
    ("taps", "taps.range", changed("divider", bottom_ohm=68000.0), {}, "range ends before 59 can act"),
    ("taps", "taps.gain", changed("divider", bottom_ohm=33600.0), {}, "not for this divider"),
    ("converter", "converter.narrow.error", dataclasses.replace(PARTS, use_adc="narrow"), {}, "another converter"),
    ("sense_lead", "sense_lead.breaks", changed("sense_lead", fuse_breaks_a=100.0), {}, "glass fuse"),
    ("sense_lead", "sense_lead.volts", changed("sense_lead", fuse_v=125.0), {}, "arc"),
    ("sense_lead", "sense_lead.a2s", changed("sense_lead", fuse_a2s=5000.0), {}, "before the fuse"),
    ("precharge", "precharge.energy", changed("precharge", pulse_j=40.0), {}, "pulse rating"),
    ("precharge", "precharge.repeated", changed("precharge", heat_j_per_k=0.5), {}, "ops_max"),
    ("precharge", "precharge.short", changed("precharge", pulse_j=60.0), {}, "before 48 opens"),
    ("taps", "taps.string_range", changed("string_tap", bottom_ohm=80000.0), {}, "below the string's highest"),
    ("taps", "taps.string_gain", PARTS, {"link_gain_nv": 5000000}, "not for this divider"),
    ("thresholds", "thresholds.sum", PARTS, {"sum_dropout_mv": 500}, "in doubt"),
    ("precharge", "precharge.final", changed("string_tap", ageing=0.01), {}, "never comes into the band"),
    ("discharge", "discharge.weld", changed("string_tap", ageing=0.005), {}, "for welded"),
    ("precharge", "precharge.final", PARTS, {"pre_band_permille": 40}, "never comes into the band"),
    ("discharge", "discharge.safe", changed("link", label_s=20.0), {}, "label"),
    ("discharge", "discharge.weld", PARTS, {"k72_drop_permille": 60}, "for welded"),
    ("fuse", "fuse.breaks", changed("main_fuse", breaks_a=1000.0), {}, "may burst"),
    ("fuse", "fuse.volts", changed("main_fuse", rated_v=125.0), {}, "arc"),
    ("fuse", "fuse.i76_cable", changed("cable", area_mm2=35.0), {}, "hotter than its insulation"),
    ("fuse", "fuse.inst", changed("contactor", break_once_a=1000.0), {}, "may burn"),
    ("fuse", "fuse.deaf", changed("contactor", break_a=200.0), {}, "again and again"),
    ("fuse", "fuse.staged", PARTS, {"break_ma": 1000, "shed_ms": 20}, "under load"),
    ("isolation", "isolation.own", PARTS, {"iso_test_kohm": 10}, "itself is a leak"),
    ("isolation", "isolation.trip", changed("bridge", error=0.1), {}, "quarter"),
    ("charger", "charger.mains", changed("mains", volts=120.0), {}, "another circuit"),
    ("hydrogen", "hydrogen.box_2_opening", changed("air", opening_cm2=30.0), {}, "larger openings"),
    ("coil", "coil.release", changed("contactor", clamp_v=0.7), {}, "a higher clamp voltage"),
    ("coil", "coil.driver", changed("contactor", clamp_v=90.0), {}, "driver"),
    ("aux", "aux.dcdc", changed("aux", dcdc_a=15.0), {}, "drains"),
    ("mass", "mass.rear", changed("build", rear_max_kg=500.0), {}, "axle"),
])  # fmt: skip
def test_what_does_not_fit_is_refused_with_a_word(
    topic: str, name: str, parts: Parts, over: dict[str, int], word: str
) -> None:
    """One thing wrong at a time: that result, by name, and why."""
    found = only(topic, of=job(TRUCK, parts, **over))[name]
    assert found.verdict == REFUSE
    assert word in found.why, found.why
    assert found.limit is not None or topic == "converter"


@pytest.mark.parametrize("topic, name, parts, over", [
    ("fuse", "fuse.i76_first", PARTS, {"i76_a2s": 400000}),
    ("precharge", "precharge.slowest", PARTS, {}),
    ("isolation", "isolation.sure", PARTS, {}),
    ("fuse", "fuse.i76_fuse", changed("main_fuse", ambient_factor=0.8), {}),
])  # fmt: skip
def test_what_is_a_nuisance_is_tight(topic: str, name: str, parts: Parts, over: dict[str, int]) -> None:
    """Not refused, but said."""
    found = only(topic, of=job(TRUCK, parts, **over))[name]
    assert found.verdict == TIGHT and found.why


def test_in_what_ships_76_acts_before_the_fuse_melts() -> None:
    """Both packs once had an i76_a2s with which the fuse went first below 76 instantaneous: sizing found it."""
    for pack in (TRUCK, LAUNCH):
        assert only("fuse", of=job(pack))["fuse.i76_first"].verdict == OK


def test_an_element_that_is_off_is_not_judged() -> None:
    names = only("thresholds", of=job(e60_on=0))
    assert not [n for n in names if ".60_" in n] and [n for n in names if ".59_" in n]
    assert only("fuse", of=job(e76_time_on=0))["fuse.i76_off"].verdict == TIGHT


# -- the table of results ------------------------------------------------------------------------------------


def test_every_row_of_the_table_is_told_and_belongs_to_a_topic() -> None:
    """A row that no job tells is dead."""
    jobs = [
        job(), job(LAUNCH), job(e76_time_on=0), job(parts=changed("cable", area_mm2=120.0)),
    ]  # fmt: skip
    names = {r.name for each in jobs for d in topics.run(each) for r in d.report.results}
    for pattern in TABLE:
        assert pattern.partition(".")[0] in topics.NAMES
        text = re.sub(r"%[sd]", "[a-z0-9_]+", pattern.replace(".", r"\."))
        assert [n for n in names if re.fullmatch(text, n)], pattern


def test_every_result_says_where_it_comes_from() -> None:
    for done in topics.run(job()):
        for r in done.report.results:
            assert r.formula and r.source and r.what and "%" not in r.name
            assert r.verdict == OK or r.why, r.name
            assert not re.search(r"%[sdg.]", r.what + r.why), r.name


def test_names_are_said_once() -> None:
    names = [r.name for d in topics.run(job()) for r in d.report.results]
    assert len(names) == len(set(names))


def test_the_page_in_docs_is_as_the_tables_make_it() -> None:
    """`make docs` after a change to a table."""
    page = (paths.ROOT / "docs" / reference.PAGE).read_text(encoding="utf-8")
    assert pages.page(page, reference.whole) == page


def test_verdicts() -> None:
    assert [at_most(v, 10.0) for v in (8.0, 9.0, 10.0, 10.1)] == [OK, TIGHT, TIGHT, REFUSE]
    assert [at_least(v, 10.0) for v in (12.5, 12.0, 10.0, 9.9)] == [OK, TIGHT, TIGHT, REFUSE]
    with pytest.raises(ValueError, match="not a finite number"):
        told("coil.diode", float("nan"))
    for bad in (0.0, -1.0, float("inf"), float("nan")):
        with pytest.raises(ValueError, match="volts"):
            above_zero(volts=bad)


# -- the reference file --------------------------------------------------------------------------------------


def test_a_file_of_parts_changes_what_it_says_and_nothing_else(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(
        'name = "mine"\n[divider]\ntempco_per_k = 25e-6\n[tap.7]\nbottom_ohm = 27400.0\n'
        "[adc.wide]\nbits = 14\n[box.2]\nat_m = 2\n"
    )
    p = load_parts(file)
    assert p.divider.tempco_per_k == 25e-6 and p.divider.top_ohm == PARTS.divider.top_ohm
    assert p.divider_at(7).bottom_ohm == 27400.0 and p.divider_at(7).tempco_per_k == 25e-6
    assert p.divider_at(6) == p.divider
    assert p.adc["wide"].bits == 14.0 and p.adc["narrow"] == PARTS.adc["narrow"]
    assert p.box_at_m(2) == 2.0 and p.box_at_m(1) == PARTS.box_at_m(1)


@pytest.mark.parametrize("text, key, value, allowed", [
    ("[divider]\ntop_ohm = -5", "divider.top_ohm", "-5", "1000 to 1e+08"),
    ('[divider]\ntop_ohm = "big"', "divider.top_ohm", "big", "1000 to 1e+08"),
    ("[divider]\ntop_ohms = 5", "divider.top_ohms", "?", "did you mean top_ohm"),
    ("[dividers]\n", "dividers", "?", "did you mean divider"),
    ("divider = 5", "divider", "5", "a table"),
    ("[adc.wide]\nbits = 12.5", "adc.wide.bits", "12.5", "a whole number"),
    ("[adc]\nwide = 3", "adc.wide", "3", "a table"),
    ('use_adc = "none"', "use_adc", "none", "one of wide, narrow"),
    ("use_adc = 3", "use_adc", "3", "text"),
    ("[ambient]\nlow_c = 55.0", "ambient.low_c", "55", "below ambient.high_c = 50"),
    ("[ambient]\ncalibrated_c = -5.0\nlow_c = 0.0", "ambient.calibrated_c", "-5", "0 to 50"),
    ("[cable]\nstrand_class = 3", "cable.strand_class", "3", "2 or 5"),
    ("[cable]\ninsulation_c = 50", "cable.insulation_c", "50", "above ambient.high_c"),
    ("[contactor]\nlet_go_a = 5", "contactor.let_go_a", "5", "below the coil's own current, 1 A"),
    ("[tap.0]\nbottom_ohm = 1000", "tap.0", "0", "from 1 to 24"),
    ("[box.x]\nat_m = 1", "box.x", "x", "from 1 to 6"),
    ("[box", "TOML", "broken", "valid TOML"),
])  # fmt: skip
def test_nonsense_in_a_file_of_parts(tmp_path: Path, text: str, key: str, value: str, allowed: str) -> None:
    """File, field, value and what is allowed."""
    file = tmp_path / "odd.toml"
    file.write_text(text)
    with pytest.raises(InputError) as found:
        load_parts(file)
    said = str(found.value)
    assert str(file) in said and key in said and value in said and allowed in said


# -- how results move ----------------------------------------------------------------------------------------


def test_the_last_module_of_a_long_box_is_measured_worst() -> None:
    rows = budget.modules(job(), 12.0, 12.0)
    box = [m.error.worst_v for m in rows if m.box == 2]
    assert box == sorted(box) and box[-1] > 3 * box[0]


dividers = st.builds(
    Divider, top_ohm=st.floats(1e5, 5e6), bottom_ohm=st.floats(1e4, 1e5), tempco_per_k=st.floats(0, 1e-4),
    shared=st.floats(0, 1), ageing=st.floats(0, 1e-3),
)  # fmt: skip
converters = st.builds(
    Adc, bits=st.integers(10, 18).map(float), inl_counts=st.floats(0, 10), ref_tempco_per_k=st.floats(0, 1e-4)
)


@given(dividers, converters, st.floats(0, 80), st.floats(1, 100), st.floats(1, 20))
def test_rss_never_exceeds_the_worst_case(d: Divider, adc: Adc, off_k: float, low_v: float, module_v: float) -> None:
    t = budget.terms(d, adc, Calibration(), off_k)
    for error in (budget.module_error(t, t, low_v + module_v, low_v), budget.tap_error(t, low_v)):
        assert 0.0 < error.rss_v <= error.worst_v
    farther = budget.terms(d, adc, Calibration(), off_k + 5.0)
    assert budget.module_error(farther, farther, low_v + module_v, low_v).worst_v >= budget.module_error(
        t, t, low_v + module_v, low_v
    ).worst_v  # fmt: skip


@settings(max_examples=8)
@given(dividers, converters, st.lists(st.integers(1, 5), min_size=1, max_size=2), st.integers(0, 1000))
def test_monte_carlo_lies_within_the_worst_case(d: Divider, adc: Adc, boxes: list[int], seed: int) -> None:
    """Every trial of every module.  (A drift counted once for each kelvin that it was already over was found so.)"""
    parts = dataclasses.replace(PARTS, divider=d, adc={"wide": adc}, tap={})
    pack = dataclasses.replace(TRUCK, boxes=tuple(boxes), settings={})
    this = job(pack, parts)
    quantile, most = budget.monte_carlo(this, 12.0, 80, seed)
    for m, q, worst in zip(budget.modules(this, 12.0, 12.0), quantile, most):
        assert q <= worst <= m.error.worst_v * (1 + 1e-9)


def test_monte_carlo_has_the_spread_of_rss_where_nothing_drifts() -> None:
    """At the temperature of calibration the largest of many errors lies between 2 and 5 standard deviations."""
    still = changed("ambient", low_c=20.0 - 1e-6, high_c=20.0 + 1e-6)
    _, most = budget.monte_carlo(job(parts=still), 12.0, 1500)
    for m, worst in zip(budget.modules(job(parts=still), 12.0, 12.0), most):
        sigma = m.error.rss_v / 3.0**0.5
        assert 2.0 * sigma < worst < 5.0 * sigma


@given(st.floats(1e-5, 0.1), st.floats(10, 400), st.floats(1.01, 2))
def test_more_voltage_or_capacity_is_more_heat(farad: float, volts: float, factor: float) -> None:
    assert precharge.energy_j(farad * factor, volts) > precharge.energy_j(farad, volts)
    assert precharge.energy_j(farad, volts * factor) > precharge.energy_j(farad, volts)
    assert precharge.charge_s(100.0 * factor, farad, 0.05) > precharge.charge_s(100.0, farad, 0.05)
    assert precharge.charge_s(100.0, farad, 0.05 / factor) > precharge.charge_s(100.0, farad, 0.05)


@given(st.floats(1, 200), st.floats(1.01, 3))
def test_a_higher_clamp_lets_go_faster(clamp_v: float, factor: float) -> None:
    assert coil.release_s(13.8, 12, 0.09, 0.15, clamp_v * factor) < coil.release_s(13.8, 12, 0.09, 0.15, clamp_v)


@given(st.floats(1, 350), st.floats(1.01, 3))
def test_a_thicker_cable_carries_more(area: float, factor: float) -> None:
    def carries(mm2: float) -> float:
        outer = conductors.outer_m(mm2 * 1e-6, 1.8e-3)
        return conductors.carries_a(conductors.copper_ohm_per_m(mm2 * 1e-6), outer, 11.0, 105.0, 40.0)

    assert carries(area * factor) > carries(area)
    assert conductors.adiabatic_a2s(area * factor, 143) > conductors.adiabatic_a2s(area, 143)


@given(st.floats(401, 5000), st.floats(1.01, 3))
def test_more_current_melts_sooner(amps: float, factor: float) -> None:
    assert power.melt_s(amps * factor, 400, 1.2e5) < power.melt_s(amps, 400, 1.2e5)


@given(st.floats(500, 1e6), st.floats(30, 400), st.floats(0, 0.02), st.floats(0, 0.05))
def test_a_reading_of_isolation_lies_between_its_corners(
    leak_ohm: float, volts: float, error: float, tolerance: float
) -> None:
    low, exact, high = isolation.reading_ohm(leak_ohm, 2e6, 1e5, volts, error, tolerance)
    assert 0.0 <= low < exact < high


# -- against the bench and the firmware ----------------------------------------------------------------------


def test_precharge_takes_as_long_on_the_bench() -> None:
    """The bench's bus, stepped, against the curve."""
    bus = Bus(TRUCK.bus)
    volts, this = 154.44, job()
    t = 0.0
    while bus.link_v < 0.94 * volts:
        bus.step_aux(0.001, OUT_PRECHARGE, False, False, False)
        bus.step(0.001, volts, 0.045)
        t += 0.001
        assert t < 3.0 and not OUT_MAIN & bus.coil_bits
    points = precharge.curve(volts, 100.045, TRUCK.bus.link_f, TRUCK.bus.bleed_ohm, TRUCK.bus.standby_w, 3.0)
    assert precharge.reached_s(points, 0.94 * volts) + precharge.PULL_IN_S == pytest.approx(t, rel=0.005)
    assert this.open_v == pytest.approx(volts)


@pytest.mark.parametrize("ohm_per_v", [60.0, 100.0, 150.0, 500.0, 1000.0])
def test_the_firmware_reads_isolation_within_the_corners(ohm_per_v: float) -> None:
    """sense.py's own integers on counts of a bridge with no error but its own rounding."""
    values = relay_settings.defaults()
    this = sense.Sense(values)
    volts = 150.0
    leak = ohm_per_v * volts
    leaky = isolation.parallel(leak, 2e6)
    before = isolation.bridge_v(volts, 2e6, leaky)
    after = isolation.bridge_v(volts, isolation.parallel(2e6, 1e5), leaky)
    counts = [0] * 72
    this.string_mv = int(volts * 1000)
    for higher in (before, after):
        counts[sense.ISO_P], counts[sense.ISO_N] = round(higher / 0.006), round((volts - higher) / 0.006)
        this._isolation(counts, 3, 2000)
    low, _, high = isolation.reading_ohm(leak, 2e6, 1e5, volts, 0.0003, 0.0)
    assert low / volts - 1.0 <= this.string[sense.Q_ISO] <= high / volts + 1.0


def test_range_at_the_twenty_hour_rate_is_the_rated_one() -> None:
    """The kinetic model is made so that its 20 h capacity is the rated one (chemistry file)."""
    boat = packs.load_pack("lake-launch")
    m = dataclasses.replace(TRUCK.module, capacity_spread=0.0)
    pack = dataclasses.replace(TRUCK, module=m, vehicle=TRUCK.vehicle, boat=boat.boat)
    this = job(pack)
    watts = (this.nominal_v * 110.0 / 20.0,) * 60
    drive_s = drive.LONGEST_S
    try:
        drive.LONGEST_S = 30 * 3600.0
        km = drive.kinetic_km(this, watts, 180.0)
    finally:
        drive.LONGEST_S = drive_s
    assert km == pytest.approx(drive.rated_km(watts, 180.0, this.nominal_v, 110.0), rel=0.06)


@pytest.mark.parametrize("cycle", ["udds", "us06"])
def test_range_on_the_benchs_own_string(cycle: str) -> None:
    """One module of the bench, with RC pairs, temperature and wells, driven until 27 time would trip."""
    this = job()
    watts, metres = drive.trips(this)[cycle]
    module = dataclasses.replace(TRUCK.module, capacity_spread=0.0, resistance_spread=0.0)
    bus = dataclasses.replace(TRUCK.bus, cable_ohm=TRUCK.bus.cable_ohm / 12)
    string = String(dataclasses.replace(TRUCK, boxes=(1,), module=module, bus=bus), 1, 1.0, 25.0)
    tick, low_s = 0, 0.0
    # Tenths of a second: longer steps would carry the charging reaction's resistance into the next pull.
    while low_s <= 4.5 and string.charge_state(0) > 0.02 and tick < 400000:
        e_v, r_ohm = string.totals(0.1)
        inside = e_v * e_v - 4.0 * r_ohm * watts[tick // 10 % len(watts)] / 12
        amps = (e_v - inside**0.5) / (2.0 * r_ohm) if inside > 0.0 else e_v / (2.0 * r_ohm)
        amps = min(amps, TRUCK.bus.controller_a)
        string.step(0.1, amps)
        tick += 1
        low_s = low_s + 0.1 if string.module_v[0] + amps * 0.005 <= 10.5 else 0.0
    km = tick / 10 / len(watts) * metres / 1000.0
    assert km == pytest.approx(drive.kinetic_km(this, watts, metres), rel=0.08)


def test_range_falls_with_power_cold_and_age() -> None:
    this = job()
    watts, metres = drive.trips(this)["udds"]
    plain = drive.kinetic_km(this, watts, metres)
    assert drive.kinetic_km(this, watts, metres, 0.7) < plain
    assert drive.kinetic_km(this, watts, metres, 1.0, -20.0) < plain
    twice = drive.kinetic_km(this, tuple(2.0 * w for w in watts), metres)
    assert twice < 0.5 * plain, "lead-acid gives less when asked for more"
    assert plain < drive.rated_km(watts, metres, this.nominal_v, 110.0)


# -- whatever the pack ---------------------------------------------------------------------------------------

boxes_of = st.lists(st.integers(1, 8), min_size=1, max_size=3)


@settings(max_examples=12)
@given(
    boxes_of, st.sampled_from(["agm", "flooded", "lfp"]), st.floats(5, 300), st.floats(0.0005, 0.05),
    st.floats(20, 900), st.floats(20, 900), st.floats(1e-4, 0.01), st.floats(20, 500), st.booleans(),
)  # fmt: skip
def test_any_pack_is_sized(
    boxes: list[int], chemistry: str, ah: float, ohm: float, fuse_a: float, controller_a: float, farad: float,
    precharge_ohm: float, boat: bool,
) -> None:  # fmt: skip
    """Never an error of arithmetic, whatever a pack file may say; and every result is a finite number."""
    kind = packs.load_chemistry(Path("x"), chemistry)
    module = dataclasses.replace(TRUCK.module, chemistry=kind, capacity_ah=ah, resistance_ohm=ohm)
    bus = dataclasses.replace(
        TRUCK.bus, fuse_a=fuse_a, controller_a=controller_a, link_f=farad, precharge_ohm=precharge_ohm
    )
    pack = dataclasses.replace(
        TRUCK, boxes=tuple(boxes), module=module, bus=bus, settings={}, boat=LAUNCH.boat if boat else None
    )
    topics.run(job(pack), [name for name in topics.NAMES if name not in ("converter", "charger")])

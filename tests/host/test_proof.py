"""The proof: it holds of the firmware, it can fail for every property, and the walker does what Python does."""

from __future__ import annotations

import ast
import inspect
import json
import os
import random
import shutil
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

z3 = pytest.importorskip("z3")

from packwarden import paths  # noqa: E402

paths.use_firmware()

from packwarden.proof import model, parts, properties, replay, symbolic, values  # noqa: E402
from packwarden.proof.table_required import REQUIRED  # noqa: E402
from warden import elements, modes, permissives, relay, sequence, table_elements  # noqa: E402
from warden.modes import (  # noqa: E402
    ASKED,
    BOOT,
    CHARGE,
    CLEARED,
    DERATED,
    DRIVE,
    DWELT,
    HELD,
    KEY,
    LOCKOUT,
    MAIN,
    MAY_CLOSE,
    PRE,
    PRECHARGE,
    PRECHARGED,
    REST,
    SHED,
    START,
    TESTED,
    UNPLUG,
)

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def sound() -> list[properties.Outcome]:
    return properties.Prover().run(properties.PROPERTIES)


def test_every_property_is_proved(sound: list[properties.Outcome]) -> None:
    assert [(o.of.number, [f.in_words() for f in o.failures], o.empty) for o in sound if not o.holds] == []


def test_every_property_has_claims_and_a_number_of_its_own(sound: list[properties.Outcome]) -> None:
    assert all(o.claims >= 3 for o in sound)
    assert len({o.of.number for o in sound}) == len(sound) >= 30


# -- it can fail ------------------------------------------------------------------------------------------------


@contextmanager
def sequence_table(name: str, change: Callable[[list[Any]], Any]) -> Iterator[None]:
    """sequence.TRANSITIONS or OUTPUTS changed."""
    was = getattr(sequence, name)
    rows = list(was)
    change(rows)
    assert tuple(rows) != was
    setattr(sequence, name, tuple(rows))
    try:
        yield
    finally:
        setattr(sequence, name, was)


COLUMNS = ("NUMBER", "STAGE", "LIMITS", "SWITCH", "WATCHES", "QUANTITY", "SIDE", "ACTION", "AWAKE_IN")


@contextmanager
def element_rows(old: str, new: str) -> Iterator[None]:
    """The text of the element table changed, and its columns made anew."""
    was, columns = table_elements.ROWS, [getattr(elements, name) for name in (*COLUMNS, "MEASURES")]
    table_elements.ROWS = tuple(part.replace(old, new) for part in was)
    assert table_elements.ROWS != was
    sys.modules["warden.table_elements"] = table_elements
    try:
        for name, column in zip(COLUMNS, elements._columns()):
            setattr(elements, name, column)
        elements.MEASURES = bytes([word[0] == 77 for word in elements.NUMBER])
        yield
    finally:
        table_elements.ROWS = was
        for name, column in zip((*COLUMNS, "MEASURES"), columns):
            setattr(elements, name, column)


@contextmanager
def source(function: Any, old: str, new: str) -> Iterator[None]:
    """The source of a function changed, for the walker."""
    text = textwrap.dedent(inspect.getsource(function))
    assert old in text, text
    tree = ast.parse(text.replace(old, new)).body[0]
    assert isinstance(tree, ast.FunctionDef)
    was = symbolic._SOURCES.get(function.__code__)
    symbolic._SOURCES[function.__code__] = tree
    try:
        yield
    finally:
        if was is None:
            del symbolic._SOURCES[function.__code__]
        else:
            symbolic._SOURCES[function.__code__] = was


def row(start: int, why: str, must: int = 0) -> int:
    """Place of the first transition from a mode with this reason and these bits."""
    for n, r in enumerate(sequence.TRANSITIONS):
        if r[0] == start and r[4] == why and r[1] & must == must:
            return n
    raise AssertionError((start, why))


def less(start: int, why: str, bits: int, never: int = 0) -> Any:
    """A transition that asks for less."""

    def change(rows: list[Any]) -> None:
        n = row(start, why, bits)
        a, must, mustnt, end, reason = rows[n]
        rows[n] = (a, must & ~bits, mustnt & ~never, end, reason)

    return lambda: sequence_table("TRANSITIONS", change)


def gone(start: int, why: str, must: int = 0) -> Any:
    """A transition that is not there."""
    return lambda: sequence_table("TRANSITIONS", lambda rows: rows.pop(row(start, why, must)))


def more(table: str, extra: Any) -> Any:
    """A row too many."""
    return lambda: sequence_table(table, lambda rows: rows.insert(0, extra))


def output_gone(test: Callable[[Any], bool]) -> Any:
    """An output row that is not there."""
    return lambda: sequence_table("OUTPUTS", lambda rows: rows.remove(next(r for r in rows if test(r))))


FLOOR = "27 floor module raw under v27_floor_mv v27_floor_dropout_mv v27_floor_ms staged loaded+lockout e27_on"
Relay, Elements = relay.Relay, elements.Elements

DEFECTS: list[tuple[str, str, Any]] = [
    ("0.1", "a release is counted twice", lambda: source(Elements._release, "self.live -= 1", "self.live -= 2")),
    ("0.1", "an operation is not counted", lambda: source(
        Elements.evaluate, "self.up, ACTION[index], 1", "self.up, 0, 1")),
    ("1.1", "precharge at rest", more("OUTPUTS", (REST, 0, 0, PRE))),
    ("1.1", "no main in shed", output_gone(lambda r: r[0] == SHED and r[3] == MAIN)),
    ("1.2", "no self-test", less(BOOT, "tested", TESTED)),
    ("1.3", "no way into drive", gone(PRECHARGE, "precharged")),
    ("2.1", "main with the charger", more("OUTPUTS", (CHARGE, 0, 0, MAIN))),
    ("2.2", "the hold is not waited for", less(REST, "start", HELD | UNPLUG)),
    ("2.3", "a plug is no plug", lambda: source(Relay._flags, "0 if bits & UNPLUG else 1", "0")),
    ("2.4", "charging goes on with the key", gone(CHARGE, "key")),
    ("2.5", "the key alone starts", less(REST, "start", START)),
    ("2.5", "start by level", lambda: source(Relay._assemble, "if not self.start_open", "if False")),
    ("3.1", "main without precharge", less(PRECHARGE, "precharged", PRECHARGED)),
    ("3.2", "too early is early enough", lambda: source(Relay._contactors, "and self.mode_ms >= self.pre_fast_ms", "")),
    ("3.2", "any curve will do", lambda: source(Relay._contactors, "and not x[Q_PRE_SHAPE]", "")),
    ("3.3", "precharge outlives the key", gone(PRECHARGE, "key")),
    ("4.1", "charging outlives a trip", gone(CHARGE, "trip")),
    ("4.2", "shedding has no end", lambda: sequence_table(
        "TRANSITIONS", lambda rows: rows.__setitem__(slice(None), [r for r in rows if r[4] != "waited"]))),
    ("4.3", "a derate ends a drive", more("TRANSITIONS", (DRIVE, DERATED, 0, SHED, "derate"))),
    ("4.4", "no lamp", output_gone(lambda r: r[0] == sequence.ANY)),
    ("4.5", "a derate lifts", lambda: source(Relay._limit, "self.limit_u -=", "self.limit_u +=")),
    ("5.1", "the floor is compensated", lambda: element_rows(FLOOR, FLOOR.replace(" raw ", " comp "))),
    ("5.2", "no weld is seen", lambda: element_rows("72 open string not_open", "72 open string not_closed")),
    ("5.2", "one step late", lambda: source(
        Elements.evaluate, "self.timer_ms[cell] >= delay_ms", "self.timer_ms[cell] > delay_ms")),
    ("5.2", "a longer delay", lambda: element_rows("v27_floor_ms staged", "v27_derate_ms staged")),
    ("5.3", "an alarm that trips", lambda: element_rows("v60_delay_ms alarm awake", "v60_delay_ms alarm+staged awake")),
    ("6.1", "doubt stops the clock", lambda: source(
        Elements.evaluate, "    elif was == PICKED:\n            self.timer_ms[cell] += dt_ms",
        "    elif was == PICKED:\n            self.timer_ms[cell] += 0")),
    ("6.2", "a frozen reading is told and no more", lambda: element_rows(
        "M3 trip module stuck over 1 0 m_trip_ms staged", "M3 trip module stuck over 1 0 m_trip_ms alarm")),
    ("7.1", "a trip is not latched", lambda: source(Relay.scan, "self._latch(mode)", "pass")),
    ("7.2", "a cause may stay", less(LOCKOUT, "reset", CLEARED)),
    ("7.2", "a held reset clears", lambda: source(Relay._assemble, "if not self.released", "if False")),
    ("7.3", "power clears", gone(BOOT, "latched")),
    ("8.1", "no wrap", lambda: source(Relay._time, "(now_ms - self.last_ms) & TICKS", "now_ms - self.last_ms")),
    ("8.2", "late is not late", lambda: source(Relay._time, "over_ms > LATE_SLACK_MS", "over_ms > 2000")),
    ("9.1", "the wire starts", more("TRANSITIONS", (REST, ASKED, 0, PRECHARGE, "asked"))),
    ("9.2", "the wire clears with the key on", less(LOCKOUT, "asked", 0, never=KEY)),
    ("10.1", "dropout is pickup", lambda: element_rows("v60_pickup_mv v60_dropout_mv", "v60_pickup_mv v60_pickup_mv")),
    ("10.2", "no dwelling", less(REST, "start", DWELT)),
    ("10.3", "closings without limit", less(REST, "plug", MAY_CLOSE)),
    ("10.4", "a row twice", lambda: sequence_table("TRANSITIONS", lambda rows: rows.insert(1, rows[1]))),
    ("10.4", "an element twice", lambda: element_rows(
        FLOOR, FLOOR + " | so\n" + FLOOR.replace("27 floor", "27 floor2"))),
    ("10.5", "one step late", lambda: source(permissives.Permissives.update, "t > (made_ms", "t > 1 + (made_ms")),
    ("10.5", "at once", lambda: source(permissives.Permissives.update, "t > (made_ms", "t > 0 * (made_ms")),
]  # fmt: skip


@pytest.mark.parametrize(("number", "what", "defect"), DEFECTS, ids=["%s %s" % d[:2] for d in DEFECTS])
def test_it_can_fail(number: str, what: str, defect: Any) -> None:
    """Each property catches a defect that is its own."""
    with defect():
        outcome = properties.Prover().settle(properties.BY_NUMBER[number], first=True)
    assert not outcome.holds and (outcome.failures or outcome.empty), what


def test_every_property_was_seen_to_fail() -> None:
    assert {p.number for p in properties.PROPERTIES} == {number for number, _, _ in DEFECTS}


def test_the_page_lists_what_is_proved() -> None:
    page = (ROOT / "docs" / "proof.md").read_text(encoding="utf-8").replace("`", "")
    for each in properties.PROPERTIES:
        assert "| %s | %s |" % (each.number, each.title) in page


def test_source_that_is_not_understood_is_not_proved() -> None:
    with source(Relay._assemble, "self.asked = False", "while self.asked:\n        self.asked = False"):
        outcome = properties.Prover().settle(properties.BY_NUMBER["1.1"])
    assert not outcome.holds and "walked" in outcome.failures[0].claim


# -- the walker does what Python does -----------------------------------------------------------------------------


def value_of(formula: Any, at: list[tuple[Any, Any]]) -> Any:
    """A formula with numbers put in."""
    if not values.is_formula(formula):
        return formula
    known = z3.simplify(z3.substitute(formula, *at))
    if z3.is_true(known) or z3.is_false(known):
        return z3.is_true(known)
    return known.as_long()


def test_the_walker_debounces_as_python_does() -> None:
    """The formulas of one update, at random states, against the update itself."""
    rng = random.Random(7)
    walked = parts.Debounce()
    limits = {}
    real = permissives.Permissives(model.a_relay().values)
    for n, _bit, lost_ms, made_ms in real.rows:
        for place, ms in ((2, lost_ms), (3, made_ms)):
            if values.is_formula(walked.rows[n][place]):
                limits[walked.rows[n][place]] = z3.IntVal(ms)
    for _ in range(150):
        raw, dt, start = rng.randrange(2048), rng.choice([0, 10, 30, 700]), rng.randrange(2048)
        timers = [rng.choice([0, 0, 1, 11, 31, 500]) for _ in real.rows]
        real.bits, real.busy = start, any(timers)
        for n, t in enumerate(timers):
            real.timer_ms[n] = t
        at = [(walked.raw, z3.BitVecVal(raw, 32)), (walked.bits, z3.BitVecVal(start, 32)), (walked.dt, z3.IntVal(dt)),
              (walked.busy, z3.BoolVal(any(timers))), *limits.items()]  # fmt: skip
        at += [(walked.timer[n], z3.IntVal(t)) for n, t in enumerate(timers)]
        real.update(raw, dt)
        assert value_of(walked.bits_after, at) == real.bits
        assert [value_of(t, at) for t in walked.timer_after] == list(real.timer_ms)


@pytest.mark.parametrize("mode", range(len(modes.MODES)))
def test_the_walker_puts_the_facts_together_as_python_does(mode: int) -> None:
    """`_assemble`, `step` and `drive_outputs` at random states: the same word, mode and outputs."""
    rng = random.Random(mode)
    made = model.a_relay()
    walker = symbolic.Walker({"Elements.enter": model.nothing})
    ref = walker.root("relay", made)
    names = ("mode_ms", "unplug_ms", "clear_ms", "closing_ms")
    flags = ("released", "start_open", "asked")
    start: values.Store = {("relay", n): z3.Int(n) for n in names}
    start.update({("relay", n): z3.Bool(n) for n in flags})
    start[("relay", "word")] = z3.BitVec("word", 32)
    start[("relay.permissives", "bits")] = z3.BitVec("bits", 32)
    start[("relay.sequence", "mode")] = mode
    start[("relay.sense", "ma")] = z3.Int("ma")
    start[("relay.sense", "link_mv")] = z3.Int("link")
    for n in range(6):
        start[("relay.elements.up", n)] = z3.Int("up%d" % n)
    start[("relay.elements", "live")] = z3.Int("live")
    raw, dt = z3.BitVec("raw", 32), z3.Int("dt")
    store, _ = walker.call(start, Relay._assemble, ref, [raw, dt])
    seq = values.Ref("relay.sequence", made.sequence)
    word = store[("relay", "word")]
    store, changed = walker.call(store, sequence.Sequence.step, seq, [word])
    store, _ = walker.call(store, sequence.Sequence.drive_outputs, seq, [word])
    made.elements.picked = [0] * 6
    for _ in range(60):
        given = {n: rng.choice([0, 10, 490, 500, 3000, 60000]) for n in names}
        yes = {n: rng.random() < 0.5 for n in flags}
        bits, was, seen, ms = (rng.randrange(1 << 28) for _ in range(3)), 0, 0, rng.choice([0, 10, 60])
        bits, was, seen = (b for b in bits)
        ma, link, live = rng.choice([0, 19999, 20000, -20000, 90000]), rng.choice([0, 59999, 60000]), rng.randrange(2)
        up = [rng.randrange(2) for _ in range(6)]
        for name, value in {**given, **yes}.items():
            setattr(made, name, value)
        made.word, made.permissives.bits, made.sequence.mode = was, bits & permissives.ALL, mode
        made.sense.ma, made.sense.link_mv, made.elements.live = ma, link, live
        for n in range(6):
            made.elements.up[n] = up[n]
        at = [(z3.Int(n), z3.IntVal(v)) for n, v in {**given, "ma": ma, "link": link, "live": live, "dt": ms}.items()]
        at += [(z3.Bool(n), z3.BoolVal(v)) for n, v in yes.items()]
        at += [(z3.Int("up%d" % n), z3.IntVal(v)) for n, v in enumerate(up)]
        at += [(z3.BitVec(n, 32), z3.BitVecVal(v, 32)) for n, v in
               (("word", was), ("bits", bits & permissives.ALL), ("raw", seen))]  # fmt: skip
        made._assemble(seen, ms)
        assert value_of(word, at) == made.word
        assert bool(value_of(changed, at)) == made.sequence.step(made.word)
        made.sequence.drive_outputs(made.word)
        assert value_of(store[("relay.sequence", "mode")], at) == made.sequence.mode
        assert value_of(store[("relay.sequence", "outputs")], at) == made.sequence.outputs
        assert value_of(store[("relay", "clear_ms")], at) == made.clear_ms


def test_the_walker_refuses_what_it_does_not_know() -> None:
    def waits(n: Any) -> Any:
        while n > 0:
            n -= 1
        return n

    with pytest.raises(values.NotUnderstood, match="While"):
        symbolic.Walker({}).call({}, waits, None, [z3.Int("n")])


# -- counterexamples ---------------------------------------------------------------------------------------------


PROBES = {p.name: p for p in replay.probes()}
FIRST_OF_A_ROW = {p.row: p.name for p in reversed(list(PROBES.values())) if p.row}
CHOSEN = [name for name, p in PROBES.items() if not p.row or FIRST_OF_A_ROW[p.row] == name]


@pytest.mark.parametrize("name", CHOSEN)
def test_a_probe_holds_on_a_sound_relay(name: str) -> None:
    held, broke = replay.runs(PROBES[name])
    assert held, broke


def test_every_protection_has_a_probe() -> None:
    assert {need.row for need in REQUIRED} == set(FIRST_OF_A_ROW)
    known = {p.number for p in properties.PROPERTIES}
    assert {n for p in PROBES.values() for n in p.shows} <= known


def with_changed(tmp_path: Path, file: str, old: str, new: str) -> tuple[Path, dict[str, str]]:
    """A copy of the project with one change in the firmware, and the environment to run it in."""
    for part in ("firmware", "host"):
        shutil.copytree(ROOT / part, tmp_path / part, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
    path = tmp_path / "firmware" / "warden" / file
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")
    return tmp_path, {**os.environ, "PYTHONPATH": str(tmp_path / "host")}


def packwarden(where: Path, env: dict[str, str], *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "packwarden", *words], cwd=where, env=env, capture_output=True,
                          text=True, timeout=300)  # fmt: skip


CHANGES = [
    ("a row deleted", "sequence.py", '    (PRECHARGE, 0, KEY, REST, "key"),\n', "", "3.3"),
    ("a row redirected", "sequence.py", '(DRIVE, TRIP, 0, SHED, "trip")', '(DRIVE, TRIP, 0, REST, "trip")', "4.3"),
    ("an element deleted", "table_elements.py",
     "69 interlock string no_interlock over 1 0 0 staged powered+lockout - | interlock loop open\n", "", "5.2"),
    ("an element doubled", "table_elements.py", "\n69 estop string", "\n69 estop string no_estop over 1 0 0 open "
     "powered+lockout - | emergency stop pressed\n69 estop string", "10.4"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "file", "old", "new", "number"), CHANGES, ids=[c[0] for c in CHANGES])
def test_a_broken_property_is_named_and_replays(
    tmp_path: Path, what: str, file: str, old: str, new: str, number: str
) -> None:
    where, env = with_changed(tmp_path, file, old, new)
    done = packwarden(where, env, "prove", "--json", "--property", number)
    assert done.returncode == 1, done.stderr
    told = json.loads(done.stdout)["properties"][0]
    assert told["number"] == number and not told["holds"] and told["broken"]
    assert told["counterexample"], told
    again = packwarden(where, env, "bench", told["counterexample"], "--no-report")
    assert again.returncode == 1, again.stdout
    # On the firmware as it should be, the same file holds.
    plain = {**os.environ, "PYTHONPATH": str(ROOT / "host")}
    sound = packwarden(ROOT, plain, "bench", str(where / told["counterexample"]), "--no-report")
    assert sound.returncode == 0, sound.stdout


def test_a_wrong_number_is_said_plainly(tmp_path: Path) -> None:
    done = packwarden(tmp_path, {**os.environ, "PYTHONPATH": str(ROOT / "host")}, "prove", "--property", "99")
    assert done.returncode == 2 and "10.5" in done.stderr and "Traceback" not in done.stderr


@pytest.mark.cost
def test_how_long_a_proof_takes() -> None:
    started = time.perf_counter()
    outcomes = properties.Prover().run(properties.PROPERTIES)
    took_s = time.perf_counter() - started
    print("\nproof: %d properties in %.1f s on one core; %s" % (len(outcomes), took_s, properties.covered(outcomes)))
    assert all(o.holds for o in outcomes)

"""Every kept input of every fuzz target still holds, and each target can fail: a defect put in on purpose is found."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Any, Callable

import pytest
import run as runner

from boards.bench import Board
from packwarden import errors
from packwarden.bench import result, scenario, tables
from packwarden.plant.spec import Chemistry
from warden import commands, journal, relay, settings

HERE = Path(__file__).parent
TARGETS = runner.TARGETS


def inputs(target: str) -> list[Path]:
    """The kept inputs, by name."""
    return sorted((HERE / "corpus" / target).iterdir())


def one_input(target: str) -> Callable[[bytes], None]:
    """The target's function."""
    made: Callable[[bytes], None] = importlib.import_module("fuzz_" + target).one_input
    return made


@pytest.mark.parametrize("target", TARGETS)
def test_every_kept_input_holds(target: str) -> None:
    call = one_input(target)
    kept = inputs(target)
    assert len(kept) >= 8
    for path in kept:
        try:
            call(path.read_bytes())
        except BaseException as error:
            error.add_note("replay: python tests/fuzz/run.py replay %s %s" % (target, path))
            raise


def test_the_corpus_is_small() -> None:
    """It is replayed by every test run, and lies in the repository for ever."""
    assert sum(path.stat().st_size for target in TARGETS for path in inputs(target)) < 200_000


def test_each_target_has_its_mutations_and_its_length() -> None:
    import mutate

    assert set(mutate.MUTATORS) == set(TARGETS) == set(runner.LENGTH_MAX)


# -- each target can fail -----------------------------------------------------------------------------------
# One defect for each thing that is promised, as somebody might write it in.


def _loose_crc(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands whose CRC is wrong are taken."""
    monkeypatch.setattr(commands, "crc16_to", lambda buf, n: int(bytes(buf[n + 1 : n + 5]), 16))


def _no_reply(monkeypatch: pytest.MonkeyPatch) -> None:
    """`forget` is done without a word."""
    monkeypatch.setattr(commands.Commands, "_forget", lambda self, req: None)


def _closes(monkeypatch: pytest.MonkeyPatch) -> None:
    """`who` closes main."""

    def who(self: Any, req: int) -> None:
        self._reply(req, b"ok", b"who", 0, self.relay.cfg)
        self.relay.board.out_bits |= 1

    monkeypatch.setattr(commands.Commands, "_who", who)


def _sets_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """`set` works without `apply`."""
    real = commands.Commands._set

    def at_once(self: Any, req: int, name: str, value: str) -> None:
        real(self, req, name, value)
        if self.staged is not None:
            self.relay.values = self.staged

    monkeypatch.setattr(commands.Commands, "_set", at_once)


def _changes_in_drive(monkeypatch: pytest.MonkeyPatch) -> None:
    """Settings may change while driving."""
    monkeypatch.setattr(commands.Commands, "_may_change", lambda self: True)


def _any_code(monkeypatch: pytest.MonkeyPatch) -> None:
    """Any code clears a lockout."""
    monkeypatch.setattr(commands, "_whole_number", lambda text: 4711 if text == "1" else int(text))


def _all_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bytes are lost on the way in."""
    real = Board.give
    monkeypatch.setattr(Board, "give", lambda self, data: real(self, data[:50]))


def _unchecked_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Settings from memory are taken unchecked."""
    monkeypatch.setattr(settings, "check", lambda values: None)


def _unsound_journal(monkeypatch: pytest.MonkeyPatch) -> None:
    """A journal with a right CRC is taken unlooked at, as it once was."""
    monkeypatch.setattr(journal.Journal, "_sound", lambda self: True)


def _not_locked(monkeypatch: pytest.MonkeyPatch) -> None:
    """A damaged memory is no reason for a lockout."""
    real = relay.Relay.__init__

    def start(self: Any, board: Any) -> None:
        real(self, board)
        self.memory_bad = False
        self.journal.word[journal.LATCHED] = 0
        self.configure(self.values)

    monkeypatch.setattr(relay.Relay, "__init__", start)


def _loose_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    """The host takes a line whatever its CRC."""
    monkeypatch.setattr(result, "crc_hqx", lambda data, start: 0)


def _any_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """The host takes anything for a time, as it once did."""
    monkeypatch.setattr(result, "_UNSIGNED", result.re.compile(".*"))


def _other_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wrong fault ends in a KeyError, as a plain look-up would."""
    monkeypatch.setattr(scenario, "KINDS", {})


def _run_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs with a fault in them fail."""
    monkeypatch.setattr("packwarden.bench.context.Bench.watch_supply", lambda self: 1 // 0)


def _dumb_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Errors show their value as it came, however long and unprintable."""
    monkeypatch.setattr(errors, "cut", lambda text, most: text)


def _pack_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """A chemistry's table is taken for a list before it is known to be one, as it once was."""
    monkeypatch.setattr("packwarden.packs._is_number", lambda value: True)


def _bad_plant(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pack that loads has no plant."""
    monkeypatch.setattr("packwarden.packs.load_chemistry", lambda path, name: Chemistry(capacity_per_c=None))


def _taken_unchecked(monkeypatch: pytest.MonkeyPatch) -> None:
    """`settings check` says good to what the firmware refuses."""
    monkeypatch.setattr(tables, "checked", lambda values, file: tables.digest(values))


def _two_names(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name is looked up as it was: across two rows of the table, and in digits of any script."""
    monkeypatch.setattr(settings, "number_of", lambda name: settings.NAMES.count("\n", 0, settings.NAMES.find(name)))


DEFECTS = {
    "wire": (_loose_crc, _no_reply, _closes, _sets_at_once, _changes_in_drive, _any_code, _all_at_once),
    "memory": (_unchecked_settings, _unsound_journal, _not_locked),
    "lines": (_loose_lines, _any_time),
    "scenario": (_other_error, _run_fails, _dumb_error),
    "pack": (_pack_error, _bad_plant, _dumb_error),
    "settings": (_taken_unchecked, _two_names, _dumb_error),
}


@pytest.mark.parametrize("target, defect", [(t, d) for t, each in DEFECTS.items() for d in each])
def test_a_defect_is_found(target: str, defect: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Canary: with the defect in, some kept input fails; with it out again, that input holds."""
    call = one_input(target)
    call(inputs(target)[0].read_bytes())  # what is made once is made without the defect
    if target == "wire":
        module = importlib.import_module("fuzz_wire")
        for state in module.STATES:
            module.base(state)
    with monkeypatch.context() as patch:
        defect(patch)
        for path in inputs(target):
            try:
                call(path.read_bytes())
            except Exception:
                break
        else:
            pytest.fail("no input of %s found it: %s" % (target, defect.__doc__))
    call(path.read_bytes())

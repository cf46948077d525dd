"""The relay against the oracle: aimed histories, then a state machine; and a floor under what both really exercised.

The profile is deterministic, so that it gives the same everywhere; `make soak` gives chance its turn.
"""

import time

import pytest
from course import Course, replay
from histories import HISTORIES
from hypothesis import settings
from hypothesis.stateful import run_state_machine_as_test
from machine import Machine, Watched
from oracle import RULES, Violation
from soak import profile

from warden.modes import MODES

SEEN = Watched()
COURSES, STEPS = 22, 30


@pytest.mark.parametrize("name", HISTORIES)
def test_history(name):
    """The rules hold, and those that the history aims at had something to say."""
    setup, acts, aims = HISTORIES[name]
    watched = Watched()
    course = Course(met=watched.met, modes_seen=watched.modes, **setup)
    course.play(acts)
    watched.take(course)
    for number in aims.split():
        assert watched.met[number], "%s was never exercised" % number
    SEEN.met.update(watched.met)
    SEEN.modes.update(watched.modes)


def test_machine():
    """A violation is written shortest first; the history can be played again with course.replay."""

    class Fixed(Machine):
        watched = SEEN

    try:
        run_state_machine_as_test(Fixed, settings=settings(profile(COURSES, STEPS), derandomize=True))
    except Violation:
        print(SEEN.failed[1])
        raise
    assert SEEN.steps > COURSES * STEPS // 2


def test_every_mode_and_every_rule_was_exercised():
    """Runs after those above: else they might have proved nothing."""
    if not SEEN.met:
        for name in HISTORIES:
            test_history(name)
        test_machine()
    for mode in MODES:
        assert SEEN.modes[mode] >= (30 if mode == "shed" else 500), (mode, SEEN.modes)
    assert {number: SEEN.met[number] for number in RULES if not SEEN.met[number]} == {}
    # Rules about people and contactors many times over.
    for number in ("2.1", "2.2", "3.1", "4.1", "4.3", "7.1", "9.3"):
        assert SEEN.met[number] >= 20, (number, SEEN.met[number])


def test_a_history_can_be_played_again():
    """What a violation writes gives the same lines."""
    first = Course(n=5, unplug_hold_ms=1000)
    first.play([["start"], ["load", 60000, 500], ["cell", 2, 6000], ["trips"]])
    again = replay(first.written())
    assert [line for _, line in again.world.heard] == [line for _, line in first.world.heard]
    assert again.history == first.history and again.world.now == first.world.now


@pytest.mark.cost
def test_cost_of_the_stateful_tests():
    """Steps and scans a second, oracle included."""
    watched = Watched()

    class Fixed(Machine):
        pass

    Fixed.watched = watched
    began = time.perf_counter()
    try:
        run_state_machine_as_test(Fixed, settings=settings(profile(10, 30, shrink=False), derandomize=True))
    except Violation:
        print(watched.failed[1])
        raise
    took_s = time.perf_counter() - began
    print(
        "\nstateful: %.0f steps/s, %.0f scans/s with the oracle looking (%d courses, %d scans)"
        % (watched.steps / took_s, watched.scans / took_s, watched.courses, watched.scans)
    )
    assert watched.steps > 100

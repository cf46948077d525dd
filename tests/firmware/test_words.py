"""The sequence's tables bit by bit, the permissives' times, every setting's default and bounds: against golden.py."""

import golden
import golden_settings
import pytest

from warden import modes, permissives, sequence, settings

TRANSITIONS, OUTPUTS = golden.transitions(), golden.outputs()
BITS = [1 << n for n in range(len(golden.FACTS))]


def test_the_words_have_the_bits_that_the_wire_and_the_board_know():
    assert list(modes.MODES) == golden.MODES
    for n, name in enumerate(golden.MODES):
        assert getattr(modes, name.upper()) == n
    for names in (golden.FACTS, golden.OUTPUTS, golden.ACTIONS):
        for n, name in enumerate(names):
            assert getattr(modes, name.upper()) == 1 << n
    assert list(modes.ACTION_NAMES) == golden.ACTIONS
    assert golden.bits("main+pre+charger+enable", golden.OUTPUTS) == modes.POWER
    assert golden.bits("staged+open", golden.ACTIONS) == modes.TRIPS


def test_the_meanings_name_the_same_bits():
    """What documents and reports read (table_words) against the words themselves."""
    for table, names in (("ACTIONS", golden.ACTIONS), ("BITS", golden.FACTS), ("OUTPUTS", golden.OUTPUTS)):
        rows = getattr(modes, table)
        assert [bit for _, bit, _ in rows] == [1 << n for n in range(len(names))]
        assert [name for name, _, _ in rows] == [{"pre": "precharge"}.get(name, name) for name in names]
        assert all(about for _, _, about in rows)


# -- transitions ----------------------------------------------------------------------------------------


def test_the_transitions_are_the_ones_written_here():
    assert list(sequence.TRANSITIONS) == TRANSITIONS and len(TRANSITIONS) == 29


def by_the_book(mode, word):
    """(mode, why) that golden.py says, or None."""
    for start, must, mustnt, end, why in TRANSITIONS:
        if start == mode and not must & ~word and not mustnt & word:
            return end, why
    return None


def walked(mode, word):
    s = sequence.Sequence()
    s.mode = mode
    moved = s.step(word)
    assert moved == (s.mode != mode) and (moved or s.why == "")
    return (s.mode, s.why) if moved else None


@pytest.mark.parametrize("at", range(len(TRANSITIONS)))
def test_every_bit_of_a_transition_counts(at):
    """With exactly what the row wants, with each bit turned over, alone and with all the rest set."""
    start, must, mustnt, _end, _why = TRANSITIONS[at]
    others = sum(BITS) & ~mustnt
    taken = 0
    for word in (must, others, others & ~(golden.bits("trip+trip_now", golden.FACTS)) | must):
        for flip in [0] + BITS:
            assert walked(start, word ^ flip) == by_the_book(start, word ^ flip)
            taken += walked(start, word ^ flip) == TRANSITIONS[at][3:]
    assert taken  # the row itself is reached


@pytest.mark.parametrize("mode", range(7))
def test_no_other_way_leads_out_of_a_mode(mode):
    for word in [0, sum(BITS)] + BITS + [a | b for a in BITS for b in BITS]:
        assert walked(mode, word) == by_the_book(mode, word)


def test_the_sequence_begins_in_boot_with_everything_off():
    s = sequence.Sequence()
    assert (s.mode, s.outputs, s.why) == (modes.BOOT, 0, "")


# -- outputs --------------------------------------------------------------------------------------------


def driven(mode, word):
    s = sequence.Sequence()
    s.mode = mode
    s.outputs = 0x3FF  # what was on before does not matter
    s.drive_outputs(word)
    return s.outputs


def on_by_the_book(mode, word):
    out = 0
    for at, must, mustnt, on in OUTPUTS:
        if at in (mode, -1) and not must & ~word and not mustnt & word:
            out |= on
    return out


def test_the_output_rows_are_the_ones_written_here():
    assert list(sequence.OUTPUTS) == OUTPUTS
    assert tuple(sequence.LIMITED) == (modes.DRIVE, modes.CHARGE)


@pytest.mark.parametrize("mode", range(7))
def test_every_bit_of_an_output_row_counts(mode):
    for word in [0, sum(BITS)] + BITS + [a | b for a in BITS for b in BITS] + [sum(BITS) & ~b for b in BITS]:
        assert driven(mode, word) == on_by_the_book(mode, word)


# -- permissives ----------------------------------------------------------------------------------------

INPUTS = []
for n, line in enumerate(golden.PERMISSIVES.strip().split("\n")):
    name, lost, made = line.split()
    INPUTS.append((name, 1 << n, golden.limit(lost), golden.limit(made)))
each_input = pytest.mark.parametrize("name, bit, lost, made", INPUTS, ids=[i[0] for i in INPUTS])


def believed(bits, **changes):
    """Permissives that believe `bits`."""
    values = settings.defaults()
    for name, value in changes.items():
        values[settings.BASE[name]] = value
    p = permissives.Permissives(values)
    assert p.bits == 0  # all open until shown closed
    p.bits = bits
    return p


def test_the_permissives_are_the_ones_written_here():
    wanted = [(bit, name, lost[0] or lost[1], made[0] or made[1]) for name, bit, lost, made in INPUTS]
    assert list(permissives.TABLE) == [(b, n, lost, made) for b, n, lost, made in wanted]
    assert permissives.ALL == 0x7FF


@each_input
@pytest.mark.parametrize("closing", [True, False])
def test_a_change_is_believed_once_it_has_lasted_its_time(name, bit, lost, made, closing):
    setting, time_ms = made if closing else lost
    for moved in (0, 3):
        if moved and not setting:
            continue
        # Every other time moved away: a row that reads another's setting shows.
        changes = {setting: time_ms + moved} if moved else {}
        others = 0x7FF & ~bit
        p = believed(others | (0 if closing else bit), **changes)
        was, raw = p.bits, others | (bit if closing else 0)
        p.update(raw, 1000)  # the first look starts the time: what passed before does not count
        if time_ms + moved:
            assert p.bits == was
            if time_ms + moved > 1:
                p.update(raw, time_ms + moved - 1)
                assert p.bits == was
            p.update(raw, 1)
        assert p.bits == raw
        assert not p.busy and not any(p.timer_ms)


@each_input
def test_one_setting_moved_moves_only_those_that_name_it(name, bit, lost, made):
    """lost_ms is not made_ms: each direction has its own."""
    for other in {"lost_ms", "lost_fast_ms", "made_ms", "start_hold_ms", "reset_hold_ms"} - {lost[0], made[0]}:
        p = believed(0x7FF, **{other: 77})
        p.update(0x7FF & ~bit, 10)
        p.update(0x7FF & ~bit, lost[1])
        assert not p.bits & bit
        p.update(0x7FF, 10)
        p.update(0x7FF, made[1])
        assert p.bits & bit


@each_input
def test_a_flicker_runs_back_at_half_speed(name, bit, lost, made):
    if lost[1] < 20:
        return
    p = believed(0x7FF)
    raw = 0x7FF & ~bit
    p.update(raw, 10)
    p.update(raw, 20)  # 21: 20 ms and the one that means running
    p.update(0x7FF, 10)  # back by 6
    assert p.bits == 0x7FF and p.busy and p.timer_ms[INPUTS.index((name, bit, lost, made))] == 15
    p.update(raw, lost[1] - 15)
    assert p.bits == 0x7FF
    p.update(raw, 1)
    assert p.bits == raw


@each_input
def test_a_return_by_turns_is_none(name, bit, lost, made):
    """An input that is open and closes for a moment, again and again, was never closed for its time."""
    if made[1] < 20:
        return
    p = believed(0x7FF & ~bit)
    for _ in range(10):
        p.update(0x7FF, 10)
        p.update(0x7FF, made[1] - 10)
        assert p.busy and p.timer_ms[INPUTS.index((name, bit, lost, made))] == made[1] - 9
        p.update(0x7FF & ~bit, 10)
        assert p.bits == 0x7FF & ~bit and not p.busy and not any(p.timer_ms)


def test_a_short_loss_is_forgotten_and_the_timers_come_to_rest():
    p = believed(0x7FF)
    p.update(0x7FF & ~1, 10)
    p.update(0x7FF & ~1, 9)
    assert p.busy and p.timer_ms[0] == 10
    p.update(0x7FF, 18)
    assert not p.busy and p.timer_ms[0] == 0
    p.timer_ms[0] = 3
    p.busy = True
    p.update(0x7FF, 10)
    assert p.timer_ms[0] == 0 and not p.busy
    p.timer_ms[0] = 9
    p.update(0x7FF, 100)  # nobody is busy: nothing is looked at
    assert p.timer_ms[0] == 9


def test_bits_that_are_no_inputs_are_not_taken():
    p = believed(0)
    for _ in range(3):
        p.update(0xFFFF & ~0x7FF, 5000)
    assert p.bits == 0 and not p.busy


def test_two_at_once_have_each_their_own_time():
    p = believed(0x7FF)
    raw = 0x7FF & ~(modes.ESTOP | modes.CRASH)
    p.update(raw, 10)
    p.update(raw, 10)
    assert p.bits == 0x7FF & ~modes.ESTOP and p.busy
    p.update(raw, 20)
    assert p.bits == raw and not p.busy


# -- settings -------------------------------------------------------------------------------------------


def test_every_setting_is_the_one_written_here():
    has = ["%s %d %s" % r[:3] + " %s %d %d" % (_default(r[3]), r[4], r[5]) for r in settings.TABLE]
    assert has == golden_settings.SETTINGS.strip().split("\n")
    assert ["%s %s %d" % pair[:3] for pair in settings.ORDER] == golden_settings.PAIRS.strip().split("\n")


def _default(default):
    return ",".join(map(str, default)) if isinstance(default, tuple) else str(default)


def test_what_runs_begins_with_those_defaults_and_bounds():
    """By value, name and position in the image: the order is the wire's and the memory's."""
    values = settings.defaults()
    at = 0
    for n, line in enumerate(golden_settings.SETTINGS.strip().split("\n")):
        name, count, _unit, default, low, high = line.split()
        default = [int(d) for d in default.split(",")]
        default = default if len(default) > 1 else default * int(count)
        assert list(values[at : at + int(count)]) == default
        assert (settings.LOW[n], settings.HIGH[n], settings.FIRST[n]) == (int(low), int(high), at)
        assert settings.index_of(name if int(count) == 1 else name + ".0") == at
        at += int(count)
    assert at == settings.COUNT == len(values)
    assert (settings.MODULES_MAX, settings.BOXES_MAX) == (24, 6)


@pytest.mark.parametrize("line", golden_settings.PAIRS.strip().split("\n"))
def test_each_pair_is_allowed_at_its_margin_and_refused_one_closer(line):
    low, high, margin = line.split()
    values = settings.defaults()
    values[settings.BASE[low]] = values[settings.BASE[high]] - int(margin)
    try:
        settings.check(values)
    except settings.SettingError as error:
        assert error.key != low or "at most" not in error.allowed or high not in error.allowed
    values[settings.BASE[low]] += 1
    with pytest.raises(settings.SettingError):
        settings.check(values)

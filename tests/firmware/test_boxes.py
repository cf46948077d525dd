"""Sensing beyond one module: the boxes, the taps of string and link, and the end of a round, at their boundaries."""

from array import array

import pytest
from test_channels import AGE, NTC, PROBE, REF, TEMP, TEN_MS, Board, make, take

from warden import modes
from warden.elements import Q_ISO, Q_SUM, Q_TAPS

# -- boxes ----------------------------------------------------------------------------------------------


def look(s, b, dt_ms=TEN_MS, absent=0, counts=None):
    return s.look_at_box(Board().counts if counts is None else counts, b, absent, dt_ms)


def test_each_box_has_its_own_probe_reference_and_offset():
    s = make(**{"probe_offset_dc__%d" % b: b - 3 for b in range(6)})
    counts = Board().counts
    for b in range(6):
        counts[52 + b] = NTC[8 + b]
        counts[58 + b] = 32768 + 328 * b
    for b in range(6):
        assert look(s, b, counts=counts) == 15
        assert s.box[TEMP] == s.box_dc[b] == 50 * b + b - 3
        assert s.box[REF] == 328 * b * 1000 // 32768 and s.box[PROBE] == 0


@pytest.mark.parametrize("ref, nominal, drift", [
    (32768, 32768, 0), (32800, 32768, 0), (32801, 32768, 1), (32735, 32768, 1), (32736, 32768, 0), (1010, 1000, 10),
    (985, 1000, 15), (32767, 32768, 0), (65535, 32768, 999), (0, 32768, 1000),
])  # fmt: skip
def test_a_reference_drifts_either_way(ref, nominal, drift):
    s = make(ref_nominal=nominal)
    counts = Board().counts
    counts[59] = ref
    look(s, 1, counts=counts)
    assert s.box[REF] == drift


@pytest.mark.parametrize("count, bad", [(63641, 0), (63642, 1), (4164, 0), (4163, 1)])
def test_a_probe_beyond_its_table_is_not_believed(count, bad):
    s = make(probe_offset_dc__0=5)
    counts = Board().counts
    s.box_dc[0] = 444
    s.box[TEMP] = 444
    counts[52] = count
    known = look(s, 0, counts=counts)
    assert s.box[PROBE] == bad
    assert known == (0b1110 if bad else 0b1111)
    if bad:
        assert s.box_dc[0] == 250 and s.box[TEMP] == 444
    else:
        assert s.box_dc[0] == s.box[TEMP] == (-395 if count == 63641 else 1005)


def test_a_box_grows_old_until_all_its_modules_are_seen():
    s = make(n_modules=5, box_modules__0=2, box_modules__1=3)
    assert list(s.box_mask)[:3] == [0b11, 0b11100, 0]
    for b, first, n in ((0, 0, 2), (1, 2, 3)):
        look(s, b, 30)
        assert s.box[AGE] == 30
        for k in range(first, first + n):
            assert s.box[AGE] == 30
            take(s, k, 12000 if k == first else 32000, 0 if k == first else 20000)
            look(s, b, 0)
        assert s.box[AGE] == s.box_age_ms[b] == 0
        look(s, b, 40)
        assert s.box[AGE] == 40  # seen once is not seen for ever
        take(s, first, 12000)
        look(s, b, 2)
        assert s.box[AGE] == 42
    s.box_age_ms[0] = 99999
    look(s, 0, 10)
    look(s, 0, 10)
    assert s.box[AGE] == 100009  # stops, and never wraps
    s.box_age_ms[0] = 100000
    look(s, 0, 10)
    assert s.box[AGE] == 100000


def test_a_box_that_is_absent_has_an_age_and_nothing_else():
    s = make()
    for b in range(6):
        assert look(s, b, absent=0b111111 & ~(1 << b)) == 15
        s.box[TEMP] = s.box[REF] = s.box[PROBE] = -7
        assert look(s, b, absent=1 << b) == 1 << AGE
        assert list(s.box)[:3] == [-7] * 3


def test_the_boxes_are_laid_out_in_string_order():
    s = make(n_modules=24, **{"box_modules__%d" % b: 4 for b in range(6)})
    assert list(s.box_of) == [k // 4 for k in range(24)]
    assert list(s.first_of_box) == [k % 4 == 0 for k in range(24)]
    assert list(s.box_mask) == [0b1111 << 4 * b for b in range(6)] and s.boxes == 6
    s = make()
    assert list(s.box_of)[:12] == [0] * 5 + [1] * 7 and list(s.box_n) == [5, 7, 0, 0, 0, 0]
    assert [k for k in range(24) if s.first_of_box[k]] == [0, 5] and s.boxes == 2 and s.n == 12


# -- string and link taps -------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", range(7))
def test_taps_that_read_nothing_while_the_modules_do(mode):
    s = make()
    s.median_mv = 12000  # 144 V expected, a quarter is 36 V; with main closed, a 25th of the string apart at most
    for string, link, drives, rests in (
        (36000, 34560, 0, 0), (36000, 34559, 1, 0), (36000, 37440, 0, 0), (36000, 37441, 1, 0), (35999, 35999, 1, 1),
        (0, 0, 1, 1),
    ):  # fmt: skip
        s.string_mv, s.link_mv = string, link
        s.taps(mode)
        assert s.string[Q_TAPS] == (drives if mode == modes.DRIVE else rests)
    s.median_mv = 0
    s.string_mv = -1
    s.taps(mode)
    assert s.string[Q_TAPS] == 0


def test_a_quarter_is_a_whole_number():
    s = make(n_modules=5, box_modules__0=5, box_modules__1=0)
    s.median_mv = 10001  # 50 005 mV expected, a quarter is 12 501
    for string, link, mode, shown in (
        (12501, 0, modes.REST, 0), (12500, 0, modes.REST, 1), (50003, 48003, modes.DRIVE, 0),
        (50003, 48002, modes.DRIVE, 1),
    ):  # fmt: skip
        s.string_mv, s.link_mv = string, link
        s.taps(mode)
        assert s.string[Q_TAPS] == shown


# -- the end of a round ---------------------------------------------------------------------------------


def test_the_median_is_of_those_believed():
    s = make(n_modules=5, box_modules__0=5, box_modules__1=0)
    s.ever = 0b11111
    for mvs, bad, median in (
        ((5, 1, 4, 2, 3), 0, 3), ((5, 1, 4, 2, 3), 0b00001, 2), ((5, 1, 4, 2, 3), 0b00010, 3),
        ((50, 10, 40, 20, 30), 0b00011, 30), ((50, 10, 41, 20, 30), 0b10010, 41), ((9, 9, 9, 9, 9), 0, 9),
        ((1, 2, 3, 4, 5), 0b01111, 5),
    ):  # fmt: skip
        s.mv[:5] = s.comp_mv[:5] = array("i", mvs)
        s.bad = bad
        s.string_mv = 100
        s.round_done()
        assert s.median_mv == median and s.sum_mv == sum(mvs)
        good = [m for k, m in enumerate(mvs) if not bad >> k & 1]
        # Of equals the first in the string comes first: it is the one that is told as lowest.
        assert list(s.order[: len(good)]) == sorted((k for k in range(5) if not bad >> k & 1), key=lambda k: mvs[k])
        assert s.string_known | 1 << Q_SUM == 0b111111111111111111111111 & ~(1 << Q_ISO) | 1 << Q_SUM
        assert s.believed_n == len(good) and [s.mv[k] for k in s.order[: len(good)]] == sorted(good)
        assert s.string[Q_SUM] == abs(sum(mvs) - 100)
        assert bool(s.string_known >> Q_SUM & 1) == (bad == 0)


@pytest.mark.parametrize("known, off_mv", [(True, 33900 - 31000 - 9 * 100), (False, 33900 - 31000)])
def test_the_sum_is_held_against_the_string_without_their_load(known, off_mv):
    """9.99 mohm together, whole ones counted, at 100 A, where the current is known: the string tap gets it back."""
    s = make(n_modules=2, box_modules__0=2, box_modules__1=0)
    s.ever = 0b11
    s.mv[:2], s.comp_mv[:2] = array("i", (16000, 16000)), array("i", (16900, 17000))
    s.ohm_u[0], s.ohm_u[1] = 5000, 4990
    s.string_mv, s.ma, s.ma_known = 31000, 100000, known
    s.round_done()
    assert s.sum_mv == 32000 and s.string[Q_SUM] == off_mv


def test_a_module_never_seen_is_in_no_median_and_no_sum_is_known():
    s = make(n_modules=3, box_modules__0=3, box_modules__1=0)
    s.mv[:3] = s.comp_mv[:3] = array("i", (10, 20, 0))
    s.ever = 0b011
    s.round_done()
    assert (s.median_mv, s.believed_n) == (15, 2) and not s.string_known >> Q_SUM & 1
    s.ever, s.string_mv = 0b111, 31
    s.round_done()
    assert s.median_mv == 10 and s.string_known >> Q_SUM & 1 and s.string[Q_SUM] == 1
    s.bad = 0b111
    s.round_done()
    assert s.median_mv == 10 and s.believed_n == 0  # the last that was known


def test_what_is_shown_fits_six_characters():
    s = make()
    s.mv[:4] = array("i", (100000, -100000, 99999, -99999))
    s.raw_mv[:4] = array("i", (1, 2, 3, 4))
    assert list(s.shown_mv())[:4] == [99999, -99999, 99999, -99999]
    s.mv[:2] = array("i", (99998, -99998))
    s.bad = 0b1100
    assert list(s.shown_mv())[:4] == [99998, -99998, 3, 4]

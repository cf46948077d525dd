"""Sensing at its boundaries: every channel is its own, every calibration is used where it belongs."""

from array import array

import pytest

from warden import modes, sense, settings
from warden.elements import Q_AUX, Q_DEAD_MA, Q_I2T, Q_ISO, Q_MA, Q_REST_MA, Q_SENSOR, Q_SUM, Q_TAPS

RAW, MV, COMP, HOT, AWAY, OPEN, RANGE, STUCK = range(8)
TEMP, REF, PROBE, AGE = range(4)
TEN_MS = 10


class Board:
    def __init__(self):
        self.counts = array("H", [32768] * 72)


def make(**changes):
    """A Sense with settings changed; a name with an index as name__3.  Gains of 1 mV a count unless changed."""
    values = settings.defaults()
    for k in range(24):
        values[settings.BASE["tap_gain_nv"] + k] = 1000000
    for name in ("string_gain_nv", "link_gain_nv", "iso_gain_nv"):
        values[settings.BASE[name]] = 1000000
    values[settings.BASE["filter_shift"]] = 0
    for name, value in changes.items():
        values[settings.index_of(name.replace("__", "."))] = value
    return sense.Sense(values)


def take(s, k, up, low=0, absent=0, counts=None):
    """Sample module `k` with these counts at its two taps; what is known of it."""
    counts = array("H", [7000 + 13 * n for n in range(72)]) if counts is None else counts
    counts[k], counts[24 + k] = up, low
    return s.sample(counts, k, absent)


def settle(s, mv=12000):
    """A first round with every module at `mv`, and its end."""
    for k in range(s.n):
        low = 0 if s.first_of_box[k] else 20000
        assert take(s, k, low + mv, low) in (0xFF, 0xFF & ~(1 << AWAY))
    s.string_mv = mv * s.n
    s.round_done()


# -- arithmetic -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("gain_nv", [1000, 312500, 999999, 1000000, 2000000, 6000001, 16000000])
def test_millivolts_is_the_nearest(gain_nv):
    """Whole numbers throughout, half a millivolt rounded up: exactly floor(count * gain + 1/2)."""
    for count in (0, 1, 2, 499, 500, 999, 1000, 12345, 32768, 65535):
        assert sense.millivolts(count, gain_nv // 1000, gain_nv % 1000) == (count * gain_nv + 500000) // 1000000


def test_drop_is_current_times_resistance():
    for ma, uohm, mv in (
        (0, 5000, 0), (150000, 5000, 750), (150000, 5010, 751), (100, 10000, 1), (99, 100000, 0), (200, 10000, 2),
        (-150000, 5000, -750), (-100, 10000, -1), (450000, 9000, 4050), (1000, 9, 0), (100000, 10, 1), (100000, 19, 1),
    ):  # fmt: skip
        assert sense.drop_mv(ma, uohm) == mv


# The thermistor's table, once more: counts from -40 to 100 degC by fives.
NTC = (
    63641, 62939, 62027, 60864, 59411, 57631, 55500, 53008, 50170, 47020, 43619, 40049, 36400, 32768, 29240, 25890,
    22772, 19920, 17351, 15066, 13053, 11295, 9768, 8449, 7313, 6337, 5499, 4780, 4164,
)  # fmt: skip


def test_a_probe_reads_the_points_of_its_table_and_straight_lines_between():
    assert len(NTC) == len(sense.NTC_COUNTS) == 29
    for n, count in enumerate(NTC):
        assert sense.probe_dc(count) == -400 + 50 * n
    for n in range(28):
        high, low = NTC[n], NTC[n + 1]
        for part in range(1, 10):
            count = high - (high - low) * part // 10
            # Truncated toward the colder end, so never more than a tenth of a degree below the line.
            exact = -400 + 50 * n + (high - count) * 50 / (high - low)
            assert exact - 1 < sense.probe_dc(count) <= exact


def test_the_constants_of_the_wiring():
    """Where the board puts its counts is a contract with every board."""
    assert (sense.UPPER, sense.LOWER, sense.STRING, sense.LINK, sense.CURRENT, sense.AUX) == (0, 24, 48, 49, 50, 51)
    assert (sense.PROBE, sense.REF, sense.ISO_P, sense.ISO_N, sense.COUNTS) == (52, 58, 64, 65, 72)
    assert (sense.UNKNOWN_BOX_DC, sense.SWING_MS, sense.POWER_MS_MAX) == (250, 800, 1000)
    assert (sense.NTC_START_DC, sense.NTC_STEP_DC) == (-400, 50)


# -- once a scan ----------------------------------------------------------------------------------------


def test_each_scalar_has_its_own_channel_gain_and_offset():
    s = make(
        string_gain_nv=2000100, string_offset_mv=30, link_gain_nv=3000200, link_offset_mv=-40, aux_gain_nv=500300,
        current_gain_ua=5000, current_zero=30000,
    )  # fmt: skip
    board = Board()
    for n in range(72):
        board.counts[n] = 20000 + 100 * n
    s.scalars(board, modes.REST, 0)
    assert s.string_mv == round(24800 * 2.0001) + 30
    assert s.link_mv == round(24900 * 3.0002) - 40
    assert s.ma == -25000  # 25000 counts, 5000 below zero, 5 mA each
    assert s.aux_mv == round(25100 * 0.5003) == s.string[Q_AUX]
    assert s.string[Q_MA] == s.string[Q_REST_MA] == 25000
    board.counts[50] = 30007
    s.scalars(board, modes.REST, 0)
    assert s.ma == s.string[Q_MA] == s.string[Q_REST_MA] == 35
    board.counts[50] = 29999
    s.scalars(board, modes.REST, 0)
    assert s.ma == -5 and s.string[Q_MA] == 5


@pytest.mark.parametrize("count, zero, gain, ends", [
    (63, 20000, 1000, True), (64, 20000, 1000, False), (65471, 45000, 1000, False), (65472, 45000, 1000, True),
    (32768 + 31874, 32768, 16000, False), (32768 + 31875, 32768, 16000, True),
    (32768 - 31874, 32768, 16000, False), (32768 - 31875, 32768, 16000, True),
])  # fmt: skip
def test_a_current_sensor_at_its_end_is_not_believed(count, zero, gain, ends):
    """At current_limit_ma (510 A) or within 64 counts of either end of the converter."""
    s = make(current_zero=zero, current_gain_ua=gain)
    board = Board()
    board.counts[50] = count
    s.scalars(board, modes.REST, 0)
    assert (s.string[Q_SENSOR], s.ma_known) == (int(ends), not ends)


def test_i2t_rises_above_the_continuous_current_and_falls_below_it():
    s = make()  # 360 A, 400 000 A2s
    s._i2t(420000, 1000)
    assert s.i2t_a2s == 420**2 - 360**2 == 46800
    assert s.string[Q_I2T] == 46800 * 1000 // 400000 == 117
    s._i2t(420999, 500)  # whole amperes
    assert s.i2t_a2s == 46800 + 23400
    s._i2t(300000, 1000)
    assert s.i2t_a2s == 70200 - 39600
    s._i2t(360000, 1000)
    assert s.i2t_a2s == 30600
    s._i2t(0, 5000)  # a long step counts as one second
    assert s.i2t_a2s == 0 and s.string[Q_I2T] == 0
    for _ in range(100):
        s._i2t(800000, 1000)
    assert s.i2t_a2s == 420000 and s.string[Q_I2T] == 1050  # held a twentieth above
    s._i2t(0, 1000)
    assert s.i2t_a2s == 420000 - 129600


def test_i2t_keeps_what_is_less_than_one():
    s = make()
    for _ in range(1000):
        s._i2t(361000, 1)  # 721 A2 for a millisecond
    assert s.i2t_a2s == 721
    for _ in range(1000):
        s._i2t(360000, 1)
    assert s.i2t_a2s == 721 and s.i2t_rest == 0


@pytest.mark.parametrize("a2s, share", [(999999, 468), (1000000, 468), (1000999, 468), (2000000, 234)])
def test_i2t_is_told_in_thousandths_at_any_size(a2s, share):
    s = make(i76_a2s=a2s)
    for _ in range(10):
        s._i2t(420000, 1000)
    assert s.i2t_a2s == 468000 and s.string[Q_I2T] == share


def swing(s, mode, mv, ma):
    s.string_mv, s.ma = mv, ma
    s._dead_sensor(mode, 799)
    s._dead_sensor(mode, 1)


def test_a_swing_on_no_current_is_counted():
    s = make()  # a band of 1440 mV, rested below 149 760 mV
    swing(s, modes.DRIVE, 140000, 0)
    assert s.string[Q_DEAD_MA] == 1  # up from nothing
    s.string[Q_DEAD_MA] = 0
    swing(s, modes.DRIVE, 141440, 0)
    assert s.string[Q_DEAD_MA] == 0
    swing(s, modes.DRIVE, 142881, 0)
    assert s.string[Q_DEAD_MA] == 1
    swing(s, modes.DRIVE, 130000, 0)  # falls do not count
    assert s.string[Q_DEAD_MA] == 1
    swing(s, modes.DRIVE, 149759, 0)
    assert s.string[Q_DEAD_MA] == 2
    swing(s, modes.DRIVE, 130000, 0)
    swing(s, modes.DRIVE, 149760, 0)  # as high as a rested string
    assert s.string[Q_DEAD_MA] == 2
    for _ in range(40):
        swing(s, modes.DRIVE, 130000, 0)
        swing(s, modes.DRIVE, 140000, 0)
    assert s.string[Q_DEAD_MA] == 20


@pytest.mark.parametrize("before, ma, counts", [
    (0, 4000, True), (0, 4001, False), (0, -4000, True), (0, -4001, False), (2000, 5000, True), (2000, 5001, False),
    (-2000, -5000, True), (-2000, -5001, False),
])  # fmt: skip
def test_a_swing_with_current_is_no_dead_sensor(before, ma, counts):
    s = make()
    swing(s, modes.DRIVE, 130000, before)
    s.string[Q_DEAD_MA] = 1
    swing(s, modes.DRIVE, 140000, ma)
    assert s.string[Q_DEAD_MA] == (2 if counts else 0)


def test_swings_count_only_while_driving_and_over_their_time():
    for mode in range(7):
        s = make()
        s.string[Q_DEAD_MA] = 1
        s.string_mv = 140000
        s._dead_sensor(mode, 799)
        assert s.string[Q_DEAD_MA] == 1
        s._dead_sensor(mode, 1)
        assert s.string[Q_DEAD_MA] == (2 if mode == modes.DRIVE else 0)


# -- isolation ------------------------------------------------------------------------------------------


def measure(s, first, second, mode=modes.REST, phase_ms=1000):
    """(pos, neg) counts without and with the test resistor, at 1 mV a count."""
    counts = array("H", [0] * 72)
    for pos, neg in (first, second):
        counts[64], counts[65] = pos, neg
        s._isolation(counts, mode, phase_ms - 1)
        assert s.iso_ms == phase_ms - 1
        s._isolation(counts, mode, 1)
        assert s.iso_ms == 0


def test_isolation_by_the_two_readings_of_the_higher_side():
    """Ri = Ro * (Vb/V1' - Vb/V1) (the method of UN R100), and then ohms for each volt of the string."""
    for higher_pos in (True, False):
        s = make()
        s.string_mv = 150000
        assert not s.string_known >> Q_ISO & 1
        counts = array("H", [0] * 72)
        counts[64], counts[65] = (60000, 30000) if higher_pos else (30000, 60000)
        s._isolation(counts, modes.REST, 999)
        assert s.iso_outputs == 0
        s._isolation(counts, modes.REST, 1)
        assert s.iso_outputs == (modes.ISO_POS if higher_pos else modes.ISO_NEG)
        assert s.iso_before == 15000 * 1000 // 6000
        counts[64], counts[65] = (20000, 30000) if higher_pos else (30000, 20000)
        s._isolation(counts, modes.REST, 1000)
        assert s.iso_outputs == 0 and s.iso_phase == 0
        # 100 kohm * (7.5 - 2.5) = 500 kohm, at 150 V
        assert s.string[Q_ISO] == 500 * 1000 // 150 and s.string_known >> Q_ISO & 1


@pytest.mark.parametrize("tested, kohm", [(60000, 0), (65000, 0), (30000, 250), (20000, 500), (0, 50000), (25, 50000)])
def test_isolation_is_held_between_nothing_and_what_the_monitor_can_tell(tested, kohm):
    """Equal readings are no isolation at all; a ratio above 500 is taken as 500."""
    s = make()
    s.string_mv = 150000
    measure(s, (60000, 30000), (tested, 0))
    assert s.string[Q_ISO] == kohm * 1000 // 150


def test_a_test_resistor_that_raised_its_side_is_measured_anew_once():
    """It can't: the world moved between the two readings.  Twice running it is taken for no isolation at all."""
    s = make()
    s.string_mv = 150000
    s.string[Q_ISO] = 777
    measure(s, (60000, 30000), (65000, 0))
    assert s.string[Q_ISO] == 777 and s.iso_odd and not s.string_known >> Q_ISO & 1
    measure(s, (60000, 30000), (65000, 0))
    assert s.string[Q_ISO] == 0 and not s.iso_odd and s.string_known >> Q_ISO & 1
    s.string[Q_ISO] = 777
    measure(s, (60000, 30000), (60300, 0))  # 2487 - 2500 thousandths: no more than noise
    assert s.string[Q_ISO] == 0 and not s.iso_odd


def test_isolation_that_is_very_good_is_not_told_beyond_100_megohms():
    s = make(iso_test_kohm=2000)
    s.string_mv = 150000
    measure(s, (60000, 0), (500, 0))
    assert s.string[Q_ISO] == 100000 * 1000 // 150
    s.string_mv = 0
    measure(s, (0, 0), (0, 0))
    assert s.string[Q_ISO] == 0
    s.string_mv = 999  # less than a volt: divided by one
    measure(s, (20, 0), (10, 0))
    assert s.string[Q_ISO] == 99000 * 1000  # 2000 kohm * (99 - 49.5)


@pytest.mark.parametrize("mode", range(7))
def test_isolation_is_not_measured_while_booting_or_precharging(mode):
    s = make()
    s.string_mv = 150000
    counts = array("H", [60000] * 72)
    s._isolation(counts, modes.REST, 1000)
    assert s.iso_phase == 1 and s.iso_outputs
    s._isolation(counts, mode, 10)
    stopped = mode in (modes.BOOT, modes.PRECHARGE)
    assert (s.iso_phase, s.iso_ms, bool(s.iso_outputs)) == ((0, 0, False) if stopped else (1, 10, True))


def test_isolation_uses_its_own_gain_resistor_and_time():
    s = make(iso_gain_nv=2000500, iso_test_kohm=200, iso_phase_ms=300)
    s.string_mv = 150000
    measure(s, (30000, 15000), (10000, 15000), phase_ms=300)
    pos, tested = 30000 * 20005 // 10000 // 10, 10000 * 20005 // 10000 // 10
    assert s.string[Q_ISO] == 200 * (15000000 // tested - 15000000 // pos) // 1000 * 1000 // 150


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
    (985, 1000, 15),
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
        assert s.believed_n == len(good) and [s.mv[k] for k in s.order[: len(good)]] == sorted(good)
        assert s.string[Q_SUM] == abs(sum(mvs) - 100)
        assert bool(s.string_known >> Q_SUM & 1) == (bad == 0)


@pytest.mark.parametrize("known, off_mv", [(True, 33900 - 31000 - 2 * 5 * 100), (False, 33900 - 31000)])
def test_the_sum_is_held_against_the_string_without_their_load(known, off_mv):
    """Two modules compensated at 5 mohm and 100 A, where the current is known; the string tap gets it back at once."""
    s = make(n_modules=2, box_modules__0=2, box_modules__1=0)
    s.ever = 0b11
    s.mv[:2], s.comp_mv[:2] = array("i", (16000, 16000)), array("i", (16900, 17000))
    s.ohm_u[0] = s.ohm_u[1] = 5000
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

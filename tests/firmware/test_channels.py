"""Sensing at its boundaries: every channel is its own, every calibration is used where it belongs."""

from array import array

import pytest

from warden import modes, sense, settings
from warden.elements import Q_AUX, Q_DEAD_MA, Q_I2T, Q_ISO, Q_MA, Q_REST_MA, Q_SENSOR, Q_SUM

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


def test_millivolts_over_the_whole_converter():
    for gain_nv in (1234999, 7654999, 15432999):
        for count in range(3, 65536, 13):
            assert sense.millivolts(count, gain_nv // 1000, 999) == (count * gain_nv + 500000) // 1000000


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


def test_a_new_sense_has_seen_nothing():
    s = make(n_modules=1, box_modules__0=1, box_modules__1=0)
    assert s.string_known == 0b111111111111111111111111 & ~(1 << Q_ISO) & ~(1 << Q_SUM)
    assert list(s.module) == [0] * 8 and list(s.box) == [0] * 4 and list(s.string) == [0] * 24
    for name in (
        "ma", "string_mv", "link_mv", "aux_mv", "open", "robbed", "stuck", "range", "ever", "bad", "median_mv",
        "sum_mv", "believed_n", "box_seen", "i2t_a2s", "i2t_rest", "iso_phase", "iso_ms", "iso_outputs", "iso_before",
        "swing_ms", "swing_mv", "swing_ma", "last_scan_ma",
    ):  # fmt: skip
        assert getattr(s, name) == 0, name
    assert s.ma_known is True and s.iso_pos_higher is False and s.boxes == 1
    for name in ("mv", "raw_mv", "comp_mv", "last_ma", "count_ma", "last_count"):
        assert list(getattr(s, name)) == [0] * 24
    assert list(s.box_dc) == [250] * 6 and list(s.box_age_ms) == [0] * 6 and list(s.ohm_u) == [5000] * 24


def test_each_setting_of_sensing_arrives_where_it_is_used():
    """Every one moved to a value that no other has; whole numbers throughout."""
    moved = {
        "string_gain_nv": 2000998, "string_offset_mv": 30, "link_gain_nv": 3000997, "link_offset_mv": -40,
        "iso_gain_nv": 4000996, "aux_gain_nv": 5000995, "current_gain_ua": 15999, "current_zero": 32777,
        "current_limit_ma": 500001, "ref_nominal": 32001, "filter_shift": 3, "open_counts": 61, "range_low_mv": -7001,
        "range_high_mv": 18001, "stuck_ma": 30001, "module_nominal_mv": 12001, "rcomp_max_uohm": 9001,
        "rcomp_uohm": 5001, "rcomp_step_ma": 25001, "v59_tempco_mv": -19, "v60_slope_uohm": 801, "i76_cont_a": 361,
        "i76_a2s": 400001, "iso_test_kohm": 101, "iso_phase_ms": 1001, "rcomp_learn": 0,
    }  # fmt: skip
    s = make(**moved)
    for name, value in (
        ("string_gain", (2000, 998, 30)), ("link_gain", (3000, 997, -40)), ("iso_gain", (4000, 996)),
        ("aux_gain", (5000, 995)), ("current_gain_ua", 15999), ("current_zero", 32777), ("current_limit_ma", 500001),
        ("ref_nominal", 32001), ("shift", 3), ("open_counts", 61), ("range_low_mv", -7001), ("range_high_mv", 18001),
        ("stuck_ma", 30001), ("nominal_mv", 12001), ("ohm_max_u", 9001), ("ohm_min_u", 2500), ("learn", 0),
        ("learn_step_ma", 25001), ("tempco_mv", -19), ("slope_u", 801), ("cont_a", 361), ("a2s", 400001),
        ("iso_test_kohm", 101), ("iso_phase_ms", 1001), ("swing_band_mv", 1440), ("loaded_mv", 149760), ("n", 12),
    ):  # fmt: skip
        assert getattr(s, name) == value and "float" not in repr(type(getattr(s, name))), name


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


def test_each_part_of_a_scan_gets_its_numbers():
    s = make(current_gain_ua=5000, current_zero=30000)
    board = Board()
    board.counts[50] = 29998
    seen = []
    s._i2t = lambda *given: seen.append(("i2t", *given))
    s._dead_sensor = lambda *given: seen.append(("dead", *given))
    s._isolation = lambda *given: seen.append(("isolation", *given))
    s.scalars(board, modes.SHED, 77)
    assert seen == [("i2t", 10, 77), ("dead", modes.SHED, 77), ("isolation", board.counts, modes.SHED, 77)]
    board.counts[50] = 29999
    s.current_gain_ua = 1000
    s.scalars(board, modes.SHED, 77)
    assert s.ma == -1 and s.string[Q_MA] == 1


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
    s = make()
    s._i2t(420000, 5000)  # rising, too
    assert s.i2t_a2s == 46800


def test_i2t_is_never_below_nothing():
    s = make()
    s._i2t(359000, 1)  # less than one below: rounded down it would be -1
    assert s.i2t_a2s == 0 and s.string[Q_I2T] == 0


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


@pytest.mark.parametrize("a2s, now, share", [
    (12345, 12000, 972), (999999, 999000, 999), (1000000, 999999, 999), (2000000, 999999, 499), (1000999, 5000, 5),
])  # fmt: skip
def test_the_share_of_i2t_is_whole_thousandths_rounded_down(a2s, now, share):
    s = make(i76_a2s=a2s)
    s.i2t_a2s = now
    s._i2t(360000, 1)
    assert s.i2t_a2s == now and s.string[Q_I2T] == share


def swing(s, mode, mv, ma):
    was = s.string[Q_DEAD_MA]
    s.string_mv, s.ma = mv, ma
    s._dead_sensor(mode, 799)
    assert (s.swing_ms, s.string[Q_DEAD_MA]) == (799, was)
    s._dead_sensor(mode, 1)
    assert s.swing_ms == 0


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
        assert s.string_known == 0b111111111111111111111111 & ~(1 << Q_SUM)  # what was known stays so
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


@pytest.mark.parametrize("tested, odd", [(60300, False), (60480, False), (60500, True)])
def test_noise_on_a_dead_short_is_not_odd(tested, odd):
    """13, 20 and 21 thousandths below what it was: up to 20 it is noise, and no isolation."""
    s = make(iso_test_kohm=2000)
    s.string_mv = 150000
    s.string[Q_ISO] = 777
    measure(s, (60000, 30000), (tested, 0))
    assert s.iso_odd == odd and s.string[Q_ISO] == (777 if odd else 0)


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


def test_isolation_at_the_ends_of_its_arithmetic():
    s = make()
    s.string_mv = 150000
    measure(s, (60000, 30000), (60010, 30000))  # a hair more than without the resistor: nothing, and not less
    assert s.string[Q_ISO] == 0
    s = make(iso_test_kohm=2000)
    s.string_mv = 150000
    measure(s, (60000, 30000), (65000, 30000))
    assert s.string[Q_ISO] == 0
    s = make()
    s.string_mv = 2000
    s._isolation(array("H", [0] * 72), modes.REST, 1000)
    assert s.iso_before == 200 * 1000  # nothing there: divided by one
    s.iso_before = 2000
    s._isolation(array("H", [0] * 72), modes.REST, 1000)
    assert s.string[Q_ISO] == 19800 * 1000 // 2
    s = make(iso_test_kohm=1000)
    s.iso_phase, s.iso_before, s.string_mv = 1, 999, 1010
    s._isolation(array("H", [10] * 72), modes.REST, 1000)
    assert s.string[Q_ISO] == 100000 * 1000  # 100 001 kohm is told as 100 000
    s = make()
    s.string_mv = 149900  # 149 whole volts
    measure(s, (60000, 30000), (20000, 30000))
    assert s.string[Q_ISO] == 100 * (14990000 // 2000 - 14990000 // 6000) // 1000 * 1000 // 149


@pytest.mark.parametrize("mode", range(7))
def test_isolation_is_not_measured_while_booting_or_precharging(mode):
    s = make()
    s.string_mv = 150000
    counts = array("H", [60000] * 72)
    s._isolation(counts, modes.REST, 1000)
    s._isolation(counts, modes.REST, 5)
    assert s.iso_phase == 1 and s.iso_outputs
    s._isolation(counts, mode, 5)
    stopped = mode in (modes.BOOT, modes.PRECHARGE)
    assert (s.iso_phase, s.iso_ms, bool(s.iso_outputs)) == ((0, 0, False) if stopped else (1, 10, True))


def test_isolation_uses_its_own_gain_resistor_and_time():
    s = make(iso_gain_nv=2000500, iso_test_kohm=200, iso_phase_ms=300)
    s.string_mv = 150000
    measure(s, (30000, 15000), (10000, 15000), phase_ms=300)
    pos, tested = 30000 * 20005 // 10000 // 10, 10000 * 20005 // 10000 // 10
    assert s.string[Q_ISO] == 200 * (15000000 // tested - 15000000 // pos) // 1000 * 1000 // 150

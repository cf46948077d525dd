"""Counts to millivolts, milliamps and tenths of a degree, and which of them can be believed.

Everything is an integer within a 31-bit small int; the arithmetic is arranged so that every product stays
below 2**30 at the bounds of the settings.  Discharge current is positive.
"""

from array import array

from warden import settings
from warden.elements import (
    Q_AUX,
    Q_DEAD_MA,
    Q_I2T,
    Q_ISO,
    Q_MA,
    Q_REST_MA,
    Q_SENSOR,
    Q_SUM,
    Q_TAPS,
    QB_AGE,
    QB_PROBE,
    QB_REF,
    QB_TEMP,
    QM_ABOUT,
    QM_ALL,
    QM_AWAY,
    QM_COMP,
    QM_HOT,
    QM_MV,
    QM_OPEN,
    QM_RANGE,
    QM_RAW,
    QM_STUCK,
    STRING_QUANTITIES,
)  # fmt: skip
from warden.modes import BOOT, DRIVE, ISO_NEG, ISO_POS, PRECHARGE

# Where the board puts its counts
UPPER, LOWER, STRING, LINK, CURRENT, AUX, PROBE, REF, ISO_P, ISO_N = 0, 24, 48, 49, 50, 51, 52, 58, 64, 65
COUNTS = 72

# Counts of the probe divider (10 kohm thermistor under 10 kohm) from -40 to 100 degC in steps of 5.
# Made from the thermistor curve in packwarden.plant.sensors; tests/published/test_ntc.py makes it anew.
NTC_START_DC, NTC_STEP_DC = -400, 50
NTC_COUNTS = (
    63641, 62939, 62027, 60864, 59411, 57631, 55500, 53008, 50170, 47020,
    43619, 40049, 36400, 32768, 29240, 25890, 22772, 19920, 17351, 15066,
    13053, 11295, 9768, 8449, 7313, 6337, 5499, 4780, 4164,
)  # fmt: skip

TAPS_APART = 25  # string and link taps differ by less than this part of the string while main is closed
UNKNOWN_BOX_DC = 250  # a box without a believable probe is taken to be at 25 degC
SWING_MS = 800  # string and current are compared over this, to find a current sensor that is dead
ISO_ODD = -20  # thousandths: beyond what noise makes of a dead short
POWER_MS_MAX = 1000  # longest step that energy and I2t are counted for: bounds their products


def millivolts(count, gain_uv, gain_nv):
    """count * gain, the gain as whole microvolts and the nanovolts over: at most 65535 * 16000 < 2**30."""
    return (count * gain_uv + count * gain_nv // 1000 + 500) // 1000


def drop_mv(ma, uohm):
    """Current times resistance, in mV: |ma| < 1 000 000 and uohm <= 100 000 stay below 2**30."""
    return (ma // 100) * (uohm // 10) // 1000


class Sense:
    """Measured quantities.  `module`, `box` and `string` hold what the elements look at."""

    def __init__(self, values):
        n, b = settings.MODULES_MAX, settings.BOXES_MAX
        zeros_n, zeros_b = [0] * n, [0] * b
        self.module = array("i", [0] * 8)
        self.box = array("i", [0] * 4)
        self.string = array("i", [0] * STRING_QUANTITIES)
        self.string_known = (1 << STRING_QUANTITIES) - 1 & ~(1 << Q_ISO) & ~(1 << Q_SUM)
        self.ma = 0
        self.string_mv = 0
        self.link_mv = 0
        self.aux_mv = 0
        self.ma_known = True
        self.mv = array("i", zeros_n)  # filtered module voltage
        self.raw_mv = array("i", zeros_n)  # last reading, as it came
        self.shown = array("i", zeros_n)
        self.comp_mv = array("i", zeros_n)  # filtered V + I*R
        self.ohm_u = array("i", zeros_n)  # learnt resistance
        self.last_count = array("H", zeros_n)
        self.last_ma = array("i", zeros_n)  # current at the last sample of the module
        self.count_ma = array("i", zeros_n)  # current when the count last changed
        self.open = 0  # bitmasks over modules: upper lead open
        self.robbed = 0  # lower lead open
        self.stuck = 0
        self.range = 0
        self.ever = 0  # sampled at least once
        self.bad = 0
        self.median_mv = 0
        self.sum_mv = 0
        self.order = array("H", zeros_n)
        self.believed_n = 0
        self.box_dc = array("i", [UNKNOWN_BOX_DC] * b)
        self.box_seen = 0
        self.box_age_ms = array("i", zeros_b)
        self.i2t_a2s = 0
        self.i2t_rest = 0
        self.iso_phase = 0
        self.iso_ms = 0
        self.iso_outputs = 0
        self.iso_before = 0
        self.iso_pos_higher = False
        self.iso_odd = False
        self.swing_ms = 0
        self.swing_mv = 0
        self.swing_ma = 0
        self.last_scan_ma = 0
        self.configure(values)

    def configure(self, values):
        """Take settings.  At rest only: this allocates."""
        base = settings.BASE

        def get(name):
            return values[base[name]]

        self.n = get("n_modules")
        self.box_of = bytearray(settings.MODULES_MAX)
        self.first_of_box = bytearray(settings.MODULES_MAX)
        self.box_mask = array("i", [0] * settings.BOXES_MAX)
        self.box_n = array("i", [values[base["box_modules"] + b] for b in range(settings.BOXES_MAX)])
        self.boxes = 0
        k = 0
        for b in range(settings.BOXES_MAX):
            here = self.box_n[b]
            if here:
                self.boxes = b + 1
            for j in range(here):  # together n_modules: settings.check sees to it
                self.box_of[k] = b
                self.first_of_box[k] = j == 0
                self.box_mask[b] |= 1 << k
                k += 1
        self.tap_uv = array("i", [0] * settings.MODULES_MAX)
        self.tap_nv = array("i", [0] * settings.MODULES_MAX)
        self.tap_offset_mv = array("i", [0] * settings.MODULES_MAX)
        for k in range(settings.MODULES_MAX):
            gain = values[base["tap_gain_nv"] + k]
            self.tap_uv[k], self.tap_nv[k] = gain // 1000, gain % 1000
            self.tap_offset_mv[k] = values[base["tap_offset_mv"] + k]
            self.ohm_u[k] = get("rcomp_uohm")
        self.string_gain = (get("string_gain_nv") // 1000, get("string_gain_nv") % 1000, get("string_offset_mv"))
        self.link_gain = (get("link_gain_nv") // 1000, get("link_gain_nv") % 1000, get("link_offset_mv"))
        self.iso_gain = (get("iso_gain_nv") // 1000, get("iso_gain_nv") % 1000)
        self.aux_gain = (get("aux_gain_nv") // 1000, get("aux_gain_nv") % 1000)
        self.current_gain_ua = get("current_gain_ua")
        self.current_zero = get("current_zero")
        self.current_limit_ma = get("current_limit_ma")
        self.probe_offset_dc = array("i", [values[base["probe_offset_dc"] + b] for b in range(settings.BOXES_MAX)])
        self.ref_nominal = get("ref_nominal")
        self.shift = get("filter_shift")
        self.open_counts = get("open_counts")
        self.range_low_mv = get("range_low_mv")
        self.range_high_mv = get("range_high_mv")
        self.stuck_ma = get("stuck_ma")
        self.nominal_mv = get("module_nominal_mv")
        self.ohm_max_u = get("rcomp_max_uohm")
        self.ohm_min_u = get("rcomp_uohm") // 2
        self.learn = get("rcomp_learn")
        self.learn_step_ma = get("rcomp_step_ma")
        self.tempco_mv = get("v59_tempco_mv")
        self.slope_u = get("v60_slope_uohm")
        self.cont_a = get("i76_cont_a")
        self.a2s = get("i76_a2s")
        self.iso_test_kohm = get("iso_test_kohm")
        self.iso_phase_ms = get("iso_phase_ms")
        self.swing_band_mv = self.n * self.nominal_mv // 100
        self.loaded_mv = self.n * self.nominal_mv // 25 * 26

    # -- once a scan ------------------------------------------------------------------------------------

    def scalars(self, board, mode, dt_ms):
        """Current, string, link, aux, I2t and isolation from this scan's counts."""
        counts = board.counts
        x = self.string
        count = counts[CURRENT]
        ma = (count - self.current_zero) * self.current_gain_ua // 1000
        away = ma if ma >= 0 else -ma
        self.ma = ma
        x[Q_MA] = away
        end = away >= self.current_limit_ma or count < 64 or count > 65471
        x[Q_SENSOR] = 1 if end else 0
        self.ma_known = not end
        x[Q_REST_MA] = away
        u_uv, u_nv, offset = self.string_gain
        self.string_mv = millivolts(counts[STRING], u_uv, u_nv) + offset
        u_uv, u_nv, offset = self.link_gain
        self.link_mv = millivolts(counts[LINK], u_uv, u_nv) + offset
        u_uv, u_nv = self.aux_gain
        self.aux_mv = millivolts(counts[AUX], u_uv, u_nv)
        x[Q_AUX] = self.aux_mv
        self._i2t(away, dt_ms)
        self._dead_sensor(mode, dt_ms)
        self._isolation(counts, mode, dt_ms)

    def _i2t(self, away_ma, dt_ms):
        a = away_ma // 1000
        if dt_ms > POWER_MS_MAX:
            dt_ms = POWER_MS_MAX
        step = (a * a - self.cont_a * self.cont_a) * dt_ms + self.i2t_rest
        self.i2t_rest = step % 1000
        total = self.i2t_a2s + step // 1000
        ceiling = self.a2s + self.a2s // 20
        self.i2t_a2s = 0 if total < 0 else ceiling if total > ceiling else total
        if self.a2s < 1000000:
            self.string[Q_I2T] = self.i2t_a2s * 1000 // self.a2s
        else:
            self.string[Q_I2T] = self.i2t_a2s // (self.a2s // 1000)

    def _dead_sensor(self, mode, dt_ms):
        """A string that recovers from sag while next to no current is shown: count how often, on end."""
        self.swing_ms += dt_ms
        if self.swing_ms < SWING_MS:
            return
        self.swing_ms = 0
        x = self.string
        dv = self.string_mv - self.swing_mv
        di = self.ma - self.swing_ma
        self.swing_mv, self.swing_ma = self.string_mv, self.ma
        if mode != DRIVE or di > 4000 or di < -4000 or self.ma > 5000 or self.ma < -5000:
            x[Q_DEAD_MA] = 0
        elif dv > self.swing_band_mv and self.string_mv < self.loaded_mv and x[Q_DEAD_MA] < 20:
            # A rise that stays below a rested string's voltage is a load let go.  Falls do not count, nor rises above:
            # the polarisation of regeneration dies away, and near full builds up, by volts on next to no current.
            x[Q_DEAD_MA] += 1

    def _isolation(self, counts, mode, dt_ms):
        """UN R100 method: the higher side with and without a known resistor, Ri = Ro * (Vb'/V1' - Vb/V1)."""
        if mode == PRECHARGE or mode == BOOT:
            self.iso_phase = 0
            self.iso_ms = 0
            self.iso_outputs = 0
            return
        self.iso_ms += dt_ms
        if self.iso_ms < self.iso_phase_ms:
            return
        self.iso_ms = 0
        uv, nv = self.iso_gain
        pos = millivolts(counts[ISO_P], uv, nv) // 10
        neg = millivolts(counts[ISO_N], uv, nv) // 10
        whole = self.string_mv // 10
        if self.iso_phase == 0:
            self.iso_pos_higher = pos > neg
            higher = pos if pos > neg else neg
            self.iso_before = whole * 1000 // (higher if higher > 0 else 1)
            self.iso_outputs = ISO_POS if pos > neg else ISO_NEG
            self.iso_phase = 1
            return
        self.iso_phase = 0
        self.iso_outputs = 0
        tested = pos if self.iso_pos_higher else neg
        ratio = whole * 1000 // (tested if tested > 0 else 1) - self.iso_before
        if ratio < ISO_ODD and not self.iso_odd:
            # A resistor can't raise the side that it is across: the world moved between the two.  Once, measured anew.
            self.iso_odd = True
            return
        self.iso_odd = False
        ratio = 0 if ratio < 0 else 500000 if ratio > 500000 else ratio
        kohm = self.iso_test_kohm * ratio // 1000
        if kohm > 100000:
            kohm = 100000
        volts = self.string_mv // 1000
        self.string[Q_ISO] = kohm * 1000 // (volts if volts > 0 else 1)
        self.string_known |= 1 << Q_ISO

    # -- each module in its slot ------------------------------------------------------------------------

    def sample(self, counts, k, absent):
        """Take module `k`'s counts.  Returns the mask of its quantities that are known."""
        x = self.module
        bit = 1 << k
        if absent >> self.box_of[k] & 1:
            self.bad |= bit
            return 0
        first = self.first_of_box[k]
        up = counts[UPPER + k]
        low = counts[LOWER + k]
        gain = k if first else k - 1
        raw = millivolts(up, self.tap_uv[k], self.tap_nv[k]) + self.tap_offset_mv[k]
        raw -= millivolts(low, self.tap_uv[gain], self.tap_nv[gain])
        if not first:
            raw -= self.tap_offset_mv[gain]
        ma = self.ma if self.ma_known else 0
        self._stuck(k, bit, up, ma)
        doubt = self._open(k, bit, first, up, low, raw)
        if not (self.open | self.robbed) & bit and (raw < self.range_low_mv or raw > self.range_high_mv):
            self.range |= bit
        else:
            self.range &= ~bit
        was = self.raw_mv[k]
        self.raw_mv[k] = raw
        x[QM_OPEN] = 1 if self.open & bit else 0
        # A module whose lower tap is gone speaks for itself, until the module below is known to own the open lead.
        alone = self.robbed & bit and not self.open & bit >> 1
        x[QM_RANGE] = 1 if self.range & bit or alone else 0
        x[QM_STUCK] = 1 if self.stuck & bit else 0
        believed = not (doubt or (self.open | self.robbed | self.range | self.stuck) & bit)
        if believed and not first and self.stuck & bit >> 1:
            believed = False  # the lower tap is the neighbour's upper one
        self.box_seen |= bit
        if not believed:
            self.bad |= bit
            self.last_ma[k] = ma
            return 0 if doubt else QM_ABOUT
        comp = raw + drop_mv(ma, self.ohm_u[k])
        if self.ever & bit and not self.bad & bit:
            if self.learn and self.ma_known:
                self._learn(k, was, raw, ma)
            self.mv[k] += (raw - self.mv[k]) >> self.shift
            self.comp_mv[k] += (comp - self.comp_mv[k]) >> self.shift
        else:
            self.mv[k] = raw
            self.comp_mv[k] = comp
        self.ever |= bit
        self.bad &= ~bit
        self.last_ma[k] = ma
        mv = self.mv[k]
        away = mv - self.median_mv
        x[QM_RAW] = raw
        x[QM_MV] = mv
        x[QM_COMP] = self.comp_mv[k]
        x[QM_HOT] = mv - self.tempco_mv * (self.box_dc[self.box_of[k]] - 250) // 10
        x[QM_AWAY] = (away if away >= 0 else -away) - drop_mv(ma if ma >= 0 else -ma, self.slope_u)
        return QM_ALL if self.median_mv else QM_ALL & ~(1 << QM_AWAY)

    def _stuck(self, k, bit, up, ma):
        if up != self.last_count[k] or not self.ever & bit:
            self.last_count[k] = up
            self.count_ma[k] = ma
            self.stuck &= ~bit
            return
        swing = ma - self.count_ma[k]
        if swing > self.stuck_ma or swing < -self.stuck_ma:
            self.stuck |= bit

    def _open(self, k, bit, first, up, low, raw):
        """Judge whether a tap at the bottom of its range is an open lead or a module that is really flat.

        A lead pulled to the box's negative makes one module read far too low and its upper neighbour read
        two modules' worth; a flat module leaves its neighbour alone.  Returns True while there is doubt.
        """
        here = self.box_of[k]
        if up <= self.open_counts:
            if not first:
                # The box's lower modules can't all be reversed: a tap at nothing is an open lead.
                shown = raw < self.range_low_mv
            elif k + 1 < self.n and self.box_of[k + 1] == here:
                shown = self.raw_mv[k + 1] > self.nominal_mv + self.nominal_mv // 2
            else:
                shown = self.string_mv - (self.sum_mv - self.mv[k]) > self.nominal_mv // 2
            self.robbed &= ~bit
            if shown:
                self.open |= bit
                return False
            # A first tap that has only now gone to nothing: wait one round for the neighbour to speak.
            fell = not self.open & bit and self.raw_mv[k] > self.nominal_mv // 2 and self.ever & bit
            self.open &= ~bit
            return bool(first and fell)
        self.open &= ~bit
        if not first and low <= self.open_counts and raw > self.nominal_mv + self.nominal_mv // 2:
            self.robbed |= bit  # the lead below is open: that module's element says so, this one is only not believed
        else:
            self.robbed &= ~bit
        return False

    def _learn(self, k, was_mv, raw_mv, ma):
        """Resistance from a load step between two samples: r = -dV/dI, averaged and bounded."""
        di = ma - self.last_ma[k]
        if -self.learn_step_ma < di < self.learn_step_ma:
            return
        now = self.ma - self.last_scan_ma
        if now > 5000 or now < -5000:
            return  # the current is still moving: voltage and current belong to different moments
        r = (was_mv - raw_mv) * 1000 // (di // 1000)
        if 0 < r < 2 * self.ohm_max_u:
            learnt = self.ohm_u[k] + ((r - self.ohm_u[k]) >> 3)
            self.ohm_u[k] = (
                self.ohm_min_u if learnt < self.ohm_min_u else self.ohm_max_u if learnt > self.ohm_max_u else learnt
            )

    def shown_mv(self):
        """What is told of each module: the filtered voltage, or the last raw reading where it is not believed.

        Held to six characters each, so that the line of 24 modules always fits.
        """
        for k in range(self.n):
            mv = self.raw_mv[k] if self.bad >> k & 1 else self.mv[k]
            self.shown[k] = -99999 if mv < -99999 else 99999 if mv > 99999 else mv
        return self.shown

    def round_done(self):
        """After the last module of a round: median of the believed, and the sum against the string tap."""
        order = self.order
        mv = self.mv
        m = 0
        total = unloaded = ohm = 0
        for k in range(self.n):
            total += mv[k]
            unloaded += self.comp_mv[k]
            ohm += self.ohm_u[k]
            if self.bad >> k & 1 or not self.ever >> k & 1:
                continue
            j = m
            while j and mv[order[j - 1]] > mv[k]:
                order[j] = order[j - 1]
                j -= 1
            order[j] = k
            m += 1
        self.believed_n = m
        if m:
            self.median_mv = (mv[order[(m - 1) // 2]] + mv[order[m // 2]]) // 2
        self.sum_mv = total
        # Both without their load: the filtered sum lags a load that comes and goes by volts, the string tap does not.
        ma = self.ma if self.ma_known else 0
        off = unloaded - self.string_mv - (ma // 100) * (ohm // 1000) // 10
        self.string[Q_SUM] = off if off >= 0 else -off
        if self.bad or m < self.n:
            self.string_known &= ~(1 << Q_SUM)
        else:
            self.string_known |= 1 << Q_SUM

    # -- one box a scan ---------------------------------------------------------------------------------

    def look_at_box(self, counts, b, absent, dt_ms):
        """Temperature, reference and age of box `b`.  Returns the mask of its quantities that are known."""
        x = self.box
        mask = self.box_mask[b]
        if self.box_seen & mask == mask:
            self.box_seen &= ~mask
            self.box_age_ms[b] = 0
        elif self.box_age_ms[b] < 100000:
            self.box_age_ms[b] += dt_ms
        x[QB_AGE] = self.box_age_ms[b]
        if absent >> b & 1:
            return 1 << QB_AGE
        drift = counts[REF + b] - self.ref_nominal
        x[QB_REF] = (drift if drift >= 0 else -drift) * 1000 // self.ref_nominal
        count = counts[PROBE + b]
        bad = count > NTC_COUNTS[0] or count < NTC_COUNTS[-1]
        x[QB_PROBE] = 1 if bad else 0
        if bad:
            self.box_dc[b] = UNKNOWN_BOX_DC
            return 1 << QB_AGE | 1 << QB_REF | 1 << QB_PROBE
        self.box_dc[b] = probe_dc(count) + self.probe_offset_dc[b]
        x[QB_TEMP] = self.box_dc[b]
        return 15

    def taps(self, mode):
        """String and link taps that read nothing while the modules say otherwise, or differ with main closed."""
        expected = self.median_mv * self.n
        open_string = self.string_mv < expected // 4
        # With main closed both taps see one voltage.  A drifted link tap would let the next precharge end too soon.
        apart = self.link_mv - self.string_mv
        apart = mode == DRIVE and (apart if apart >= 0 else -apart) * TAPS_APART > self.string_mv
        self.string[Q_TAPS] = 1 if expected and (open_string or apart) else 0


def probe_dc(count):
    """Tenths of a degree from a probe's counts, straight lines between the table's points."""
    low, high = 0, len(NTC_COUNTS) - 1
    while high - low > 1:
        middle = (low + high) // 2
        if NTC_COUNTS[middle] >= count:
            low = middle
        else:
            high = middle
    span = NTC_COUNTS[low] - NTC_COUNTS[high]
    return NTC_START_DC + low * NTC_STEP_DC + (NTC_COUNTS[low] - count) * NTC_STEP_DC // span

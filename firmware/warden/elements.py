"""Protective elements: one table, and the timer that runs every row of it.

A row picks up when its quantity passes the pickup, operates when it has stayed there for the delay, and
releases when the quantity passes the dropout.  While a quantity is *unknown* (its measurement is not
believed) a timer that was running runs on and an operated row stays operated: a reading that can't be
trusted never holds a trip off and never clears one.
"""

from array import array

from warden import settings
from warden.modes import (
    ALARM, BOOT, CHARGE, DERATE, DRIVE, LOCKOUT, NOCHARGE, NODRIVE, OPEN, PRECHARGE, REST, SHED, STAGED, TRIPS,
)  # fmt: skip

STRING, BOX, MODULE = 0, 1, 2  # what a row watches: one string, each box, each module
WATCHED = ("string", "box", "module")
EACH = (1, settings.BOXES_MAX, settings.MODULES_MAX)

# Quantities of the string
(
    Q_MA, Q_I2T, Q_AUX, Q_ISO, Q_PRE_MS, Q_PRE_FAST, Q_PRE_SHAPE, Q_NOT_CLOSED, Q_NOT_OPEN, Q_CHATTER, Q_NO_ESTOP,
    Q_NO_CRASH, Q_NO_SERVICE, Q_NO_INTERLOCK, Q_PLUG, Q_SUM, Q_SENSOR, Q_REST_MA, Q_DEAD_MA, Q_LATE, Q_MEMORY,
    Q_BUTTON, Q_OFF, Q_TAPS,
) = range(24)  # fmt: skip
STRING_QUANTITIES = 24
# Quantities of a box
QB_TEMP, QB_REF, QB_PROBE, QB_AGE = range(4)
# Quantities of a module
QM_RAW, QM_MV, QM_COMP, QM_HOT, QM_AWAY, QM_OPEN, QM_RANGE, QM_STUCK = range(8)
# The quantities that are about a module's measurement itself, so known when the reading is not.
QM_ABOUT = 1 << QM_OPEN | 1 << QM_RANGE | 1 << QM_STUCK
QM_ALL = (1 << 8) - 1
UNITS = (
    ("mA", "permille", "mV", "ohm/V", "ms", "flag", "flag", "flag", "flag", "count", "flag", "flag", "flag", "flag",
     "flag", "mV", "flag", "mA", "count", "ms", "flag", "flag", "flag", "flag"),
    ("0.1degC", "permille", "flag", "ms"),
    ("mV", "mV", "mV", "mV", "mV", "flag", "flag", "flag"),
)  # fmt: skip

_B, _R, _P, _D, _S, _C, _L = [1 << m for m in (BOOT, REST, PRECHARGE, DRIVE, SHED, CHARGE, LOCKOUT)]
LOADED = _P | _D | _S
POWERED = LOADED | _C
AWAKE = POWERED | _R | _L

OVER, UNDER = 1, -1
BLOCK = NODRIVE | NOCHARGE

# number, stage, watches, quantity, over or under, pickup, dropout, delay, action, modes, switch, meaning.
# A pickup, dropout or delay is the name of a setting or a number.
TABLE = (
    ("27", "derate", MODULE, QM_COMP, UNDER, "v27_pickup_mv", "v27_dropout_mv", "v27_derate_ms",
     ALARM | DERATE, LOADED, "e27_on", "module low, load compensated: ask for less"),
    ("27", "time", MODULE, QM_COMP, UNDER, "v27_pickup_mv", "v27_dropout_mv", "v27_delay_ms",
     STAGED, LOADED | _L, "e27_on", "module low, load compensated: stop"),
    ("27", "floor", MODULE, QM_RAW, UNDER, "v27_floor_mv", "v27_floor_dropout_mv", "v27_floor_ms",
     STAGED, LOADED | _L, "e27_on", "module under the absolute floor: about to reverse"),
    ("27", "rest", MODULE, QM_MV, UNDER, "v27_pickup_mv", "v27_dropout_mv", "v27_derate_ms",
     ALARM | NODRIVE, _R | _C, "e27_on", "module low at rest or on charge: do not drive"),
    ("59", "derate", MODULE, QM_HOT, OVER, "v59_pickup_mv", "v59_dropout_mv", "v59_derate_ms",
     ALARM | DERATE, _D | _C, "e59_on", "module high, temperature compensated: ask for less"),
    ("59", "time", MODULE, QM_HOT, OVER, "v59_pickup_mv", "v59_dropout_mv", "v59_delay_ms",
     STAGED, POWERED | _L, "e59_on", "module high, temperature compensated: stop"),
    ("59", "high", MODULE, QM_RAW, OVER, "v59_high_mv", "v59_high_dropout_mv", "v59_high_ms",
     STAGED, POWERED | _L, "e59_on", "module far too high: stop"),
    ("60", "alarm", MODULE, QM_AWAY, OVER, "v60_pickup_mv", "v60_dropout_mv", "v60_delay_ms",
     ALARM, AWAKE, "e60_on", "module away from the string's median"),
    ("M1", "alarm", MODULE, QM_OPEN, OVER, 1, 0, "m_alarm_ms",
     ALARM | DERATE | BLOCK, AWAKE, "", "open sense lead"),
    ("M1", "trip", MODULE, QM_OPEN, OVER, 1, 0, "m_trip_ms",
     STAGED, AWAKE, "", "open sense lead, not mended"),
    ("M2", "alarm", MODULE, QM_RANGE, OVER, 1, 0, "m_alarm_ms",
     ALARM | DERATE | BLOCK, AWAKE, "", "module reading no module can have: lead swapped, open or shorted"),
    ("M2", "trip", MODULE, QM_RANGE, OVER, 1, 0, "m_trip_ms",
     STAGED, AWAKE, "", "module reading no module can have, not mended"),
    ("M3", "alarm", MODULE, QM_STUCK, OVER, 1, 0, "m_alarm_ms",
     ALARM | DERATE | BLOCK, AWAKE, "", "reading frozen while the current moved"),
    ("M3", "trip", MODULE, QM_STUCK, OVER, 1, 0, "m_trip_ms",
     STAGED, AWAKE, "", "reading frozen, not mended"),
    ("49", "alarm", BOX, QB_TEMP, OVER, "t49_alarm_dc", "t49_alarm_dropout_dc", "t49_delay_ms",
     ALARM | DERATE, AWAKE, "e49_on", "box warm"),
    ("49", "trip", BOX, QB_TEMP, OVER, "t49_trip_dc", "t49_trip_dropout_dc", "t49_delay_ms",
     STAGED, AWAKE, "e49_on", "box hot"),
    ("49C", "cold", BOX, QB_TEMP, UNDER, "t49_cold_dc", "t49_cold_dropout_dc", "t49_delay_ms",
     NOCHARGE, _R | _C, "e49_on", "box too cold to charge"),
    ("M5", "alarm", BOX, QB_REF, OVER, "ref_band_permille", 1, "m_alarm_ms",
     ALARM | DERATE | BLOCK, AWAKE, "", "a head's reference has drifted"),
    ("M5", "trip", BOX, QB_REF, OVER, "ref_band_permille", 1, "m_trip_ms",
     STAGED, AWAKE, "", "a head's reference has drifted, not mended"),
    ("M6", "alarm", BOX, QB_AGE, OVER, "stale_ms", 0, 0,
     ALARM | DERATE | BLOCK, AWAKE, "", "a box's readings are stale"),
    ("M6", "trip", BOX, QB_AGE, OVER, "stale_ms", 0, "m_trip_ms",
     STAGED, AWAKE, "", "a box's readings are stale, not mended"),
    ("M8", "alarm", BOX, QB_PROBE, OVER, 1, 0, "m_alarm_ms",
     ALARM | DERATE | NOCHARGE, AWAKE, "", "temperature probe open or shorted"),
    ("M8", "trip", BOX, QB_PROBE, OVER, 1, 0, "m_trip_ms",
     STAGED, AWAKE, "", "temperature probe open or shorted, not mended"),
    ("76", "inst", STRING, Q_MA, OVER, "i76_inst_ma", "i76_inst_dropout_ma", "i76_inst_ms",
     OPEN, POWERED | _L, "", "current beyond anything the car may draw"),
    ("76", "derate", STRING, Q_I2T, OVER, 700, 350, 0,
     ALARM | DERATE, POWERED, "e76_time_on", "current too high for too long: ask for less"),
    ("76", "time", STRING, Q_I2T, OVER, 1000, 350, 0,
     STAGED, POWERED | _L, "e76_time_on", "current too high for too long: stop"),
    ("27X", "alarm", STRING, Q_AUX, UNDER, "aux_alarm_mv", "aux_alarm_dropout_mv", "aux_alarm_ms",
     ALARM, AWAKE, "e27x_on", "aux supply low"),
    ("27X", "block", STRING, Q_AUX, UNDER, "aux_trip_mv", "aux_trip_dropout_mv", "aux_trip_ms",
     BLOCK, _R, "e27x_on", "aux supply too low to hold a contactor"),
    ("27X", "trip", STRING, Q_AUX, UNDER, "aux_trip_mv", "aux_trip_dropout_mv", "aux_trip_ms",
     STAGED, POWERED | _L, "e27x_on", "aux supply about to let contactors go"),
    ("64", "alarm", STRING, Q_ISO, UNDER, "iso_alarm_ohmv", "iso_alarm_dropout_ohmv", "iso_delay_ms",
     ALARM, AWAKE, "e64_on", "isolation poor"),
    ("64", "block", STRING, Q_ISO, UNDER, "iso_trip_ohmv", "iso_trip_dropout_ohmv", "iso_delay_ms",
     ALARM | DERATE | BLOCK, _R | _D | _S, "e64_on", "isolation lost: finish the trip, start no other"),
    ("64", "charge", STRING, Q_ISO, UNDER, "iso_trip_ohmv", "iso_trip_dropout_ohmv", "iso_delay_ms",
     OPEN, _C | _L, "e64_on", "isolation lost while plugged in"),
    ("48", "slow", STRING, Q_PRE_MS, OVER, "pre_slow_ms", 0, 0,
     OPEN, _P, "", "precharge too slow"),
    ("48", "fast", STRING, Q_PRE_FAST, OVER, 1, 0, 0,
     OPEN, _P, "", "precharge too fast: no link capacitor, or main welded"),
    ("48", "shape", STRING, Q_PRE_SHAPE, OVER, 1, 0, 0,
     OPEN, _P, "", "precharge curve wrong: link shorted, resistor wrong or open"),
    ("72", "close", STRING, Q_NOT_CLOSED, OVER, 1, 0, "k72_close_ms",
     STAGED, _D | _S, "", "main contactor did not close, or let go"),
    ("72", "open", STRING, Q_NOT_OPEN, OVER, 1, 0, "k72_open_ms",
     OPEN, _R | _P | _C | _L, "", "main contactor did not open: welded"),
    ("72", "chatter", STRING, Q_CHATTER, OVER, "k72_chatter_n", 0, 0,
     STAGED, _D | _S, "", "main contactor chatters"),
    ("69", "estop", STRING, Q_NO_ESTOP, OVER, 1, 0, 0,
     OPEN, POWERED | _L, "", "emergency stop pressed"),
    ("69", "crash", STRING, Q_NO_CRASH, OVER, 1, 0, 0,
     OPEN, POWERED | _L, "", "crash switch open"),
    ("69", "service", STRING, Q_NO_SERVICE, OVER, 1, 0, 0,
     OPEN, POWERED | _L, "", "service disconnect pulled"),
    ("69", "interlock", STRING, Q_NO_INTERLOCK, OVER, 1, 0, 0,
     STAGED, POWERED | _L, "", "interlock loop open"),
    ("69", "plug", STRING, Q_PLUG, OVER, 1, 0, 0,
     STAGED, LOADED, "", "plug present with the drive path closed or closing"),
    ("M4", "alarm", STRING, Q_SUM, OVER, "sum_band_mv", 0, "m_alarm_ms",
     ALARM | DERATE | BLOCK, AWAKE, "", "modules do not add up to the string tap"),
    ("M4", "trip", STRING, Q_SUM, OVER, "sum_band_mv", 0, "m_trip_ms",
     STAGED, AWAKE, "", "modules do not add up, not mended"),
    ("M7", "alarm", STRING, Q_SENSOR, OVER, 1, 0, "m_alarm_ms",
     ALARM | DERATE | BLOCK, AWAKE, "", "current sensor at its end"),
    ("M7", "trip", STRING, Q_SENSOR, OVER, 1, 0, "m_trip_ms",
     STAGED, AWAKE, "", "current sensor at its end, not mended"),
    ("M7", "offset", STRING, Q_REST_MA, OVER, "current_rest_ma", 1000, "m_alarm_ms",
     ALARM | BLOCK, _R | _L, "", "current shown with every contactor open"),
    ("M7", "dead", STRING, Q_DEAD_MA, OVER, 4, 0, 0,
     ALARM | DERATE | BLOCK, _R | _D | _S, "", "string sags but no current is shown"),
    ("M7", "deadtrip", STRING, Q_DEAD_MA, OVER, 4, 0, "m_trip_ms",
     STAGED, _D | _S, "", "string sags but no current is shown, not mended"),
    ("M9", "alarm", STRING, Q_TAPS, OVER, 1, 0, "m_alarm_ms",
     ALARM | DERATE | BLOCK, AWAKE, "", "string or link tap open"),
    ("M9", "trip", STRING, Q_TAPS, OVER, 1, 0, "m_trip_ms",
     STAGED, AWAKE, "", "string or link tap open, not mended"),
    ("M10", "alarm", STRING, Q_LATE, OVER, "late_ms", 0, 0,
     ALARM, AWAKE, "", "scans come late"),
    ("M10", "trip", STRING, Q_LATE, OVER, "late_trip_ms", 0, 0,
     STAGED, POWERED, "", "scans come far too late"),
    ("M11", "memory", STRING, Q_MEMORY, OVER, 1, 0, 0,
     OPEN, _B | AWAKE, "", "settings or journal missing or damaged"),
    ("M12", "button", STRING, Q_BUTTON, OVER, 1, 0, 0,
     ALARM | NODRIVE, AWAKE, "", "start or reset held too long: stuck"),
    ("74", "off", STRING, Q_OFF, OVER, 1, 0, 0,
     ALARM, AWAKE, "", "an element is switched off in the settings"),
)  # fmt: skip

IDLE, PICKED, OPERATED = 0, 1, 2
EVENTS = 32  # ring of operations and releases waiting to be told


def switched_off(values):
    """True when any switch that a row names is off."""
    for row in TABLE:
        if row[10] and not values[settings.BASE[row[10]]]:
            return True
    return False


class Elements:
    """The state of every row for everything it watches."""

    def __init__(self, values):
        """`values`: the settings array."""
        self.base = []
        cells = 0
        for row in TABLE:
            self.base.append(cells)
            cells += EACH[row[2]]
        self.state = bytearray(cells)
        self.timer_ms = array("i", [0] * cells)
        self.up = array("i", [0] * 6)  # operated cells for each action
        self.live = 0  # cells picked up or operated in rows that trip
        self.event = [bytearray(EVENTS), bytearray(EVENTS), bytearray(EVENTS), array("i", [0] * EVENTS)]
        self.event_head = 0
        self.event_n = 0
        self.events_lost = 0
        self.trip_row = -1  # first trip operated since the relay last looked; -1: none
        self.trip_k = 0
        self.trip_x = 0
        self.mode = BOOT
        self.configure(values)

    def configure(self, values):
        """Resolve the table against settings.  At rest only: this allocates."""
        rows = []
        for index, row in enumerate(TABLE):
            if row[10] and not values[settings.BASE[row[10]]]:
                rows.append(None)
                continue
            sign = row[4]
            rows.append((index, self.base[index], row[3], sign, _value(row[5], values) * sign,
                         _value(row[6], values) * sign, _value(row[7], values)))  # fmt: skip
        # One list for each group and mode, so that the scan passes over no row that sleeps.
        self.rows = [
            [[r for r in rows if r and TABLE[r[0]][2] == group and TABLE[r[0]][9] >> mode & 1] for mode in range(7)]
            for group in range(3)
        ]

    def enter(self, mode):
        """Change mode: rows that sleep in the new one forget what they had seen."""
        for index in range(len(TABLE)):
            row = TABLE[index]
            if not row[9] >> mode & 1:
                at = self.base[index]
                for k in range(EACH[row[2]]):
                    if self.state[at + k]:
                        self._release(index, at + k, k, 0)
        self.mode = mode

    def evaluate(self, group, k, x, known, dt_ms):
        """Run the rows of `group` that are awake on quantities `x` of thing `k`.

        known: bit q set where x[q] can be believed.  dt_ms: time since this thing was last evaluated.
        """
        state = self.state
        for index, base, q, sign, pickup, dropout, delay_ms in self.rows[group][self.mode]:
            cell = base + k
            was = state[cell]
            if known >> q & 1:
                v = x[q] * sign
                if not was:
                    if v < pickup:
                        continue
                    state[cell] = PICKED
                    self.timer_ms[cell] = 0
                    if TABLE[index][8] & TRIPS:
                        self.live += 1
                elif v <= dropout:
                    self._release(index, cell, k, x[q])
                    continue
                elif was == PICKED:
                    self.timer_ms[cell] += dt_ms
            elif was == PICKED:
                self.timer_ms[cell] += dt_ms
            else:
                continue
            if was != OPERATED and self.timer_ms[cell] >= delay_ms:
                state[cell] = OPERATED
                self._count(TABLE[index][8], 1)
                self._tell(index, k, x[q], 1)
                if self.trip_row < 0 and TABLE[index][8] & TRIPS:
                    self.trip_row, self.trip_k, self.trip_x = index, k, x[q]

    def _release(self, index, cell, k, value):
        action = TABLE[index][8]
        if action & TRIPS:
            self.live -= 1
        if self.state[cell] == OPERATED:
            self._count(action, -1)
            self._tell(index, k, value, 0)
        self.state[cell] = IDLE
        self.timer_ms[cell] = 0

    def _count(self, action, by):
        for bit in range(6):
            if action >> bit & 1:
                self.up[bit] += by

    def _tell(self, index, k, value, on):
        if self.event_n == EVENTS:
            self.events_lost += 1
            return
        at = (self.event_head + self.event_n) % EVENTS
        self.event[0][at] = index
        self.event[1][at] = k
        self.event[2][at] = on
        self.event[3][at] = value
        self.event_n += 1


def _value(name, values):
    return name if isinstance(name, int) else values[settings.BASE[name]]

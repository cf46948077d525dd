"""Protective elements: one table, and the timer that runs every row of it.

A row picks up when its quantity passes the pickup, operates when it has stayed there for the delay, and
releases when the quantity passes the dropout.  While a quantity is *unknown* (its measurement is not
believed) a timer that was running runs on and an operated row stays operated: a reading that can't be
trusted never holds a trip off and never clears one.
"""

from array import array

from warden import settings, text
from warden.modes import BOOT, TRIPS

STRING, BOX, MODULE = 0, 1, 2  # what a row watches: one string, each box, each module
EACH = (1, settings.BOXES_MAX, settings.MODULES_MAX)

# The quantities of each, by position: the names of table_elements.QUANTITIES.
(
    Q_MA, Q_I2T, Q_AUX, Q_ISO, Q_PRE_MS, Q_PRE_FAST, Q_PRE_SHAPE, Q_NOT_CLOSED, Q_NOT_OPEN, Q_CHATTER, Q_NO_ESTOP,
    Q_NO_CRASH, Q_NO_SERVICE, Q_NO_INTERLOCK, Q_PLUG, Q_SUM, Q_SENSOR, Q_REST_MA, Q_DEAD_MA, Q_LATE, Q_MEMORY,
    Q_BUTTON, Q_OFF, Q_TAPS,
) = range(24)  # fmt: skip
STRING_QUANTITIES = 24
QB_TEMP, QB_REF, QB_PROBE, QB_AGE = range(4)
QM_RAW, QM_MV, QM_COMP, QM_HOT, QM_AWAY, QM_OPEN, QM_RANGE, QM_STUCK = range(8)
# The quantities that are about a module's measurement itself, so known when the reading is not.
QM_ABOUT = 1 << QM_OPEN | 1 << QM_RANGE | 1 << QM_STUCK
QM_ALL = (1 << 8) - 1


def __getattr__(name):
    """TABLE: every row as table_elements.row gives it, made when asked for: a board has no room to keep it."""
    if name != "TABLE":
        raise AttributeError(name)
    from warden import table_elements

    return table_elements.table()


def _columns():
    """The table as columns: words as bytes (each kept once), small numbers as bytes, and what settings decide.

    A pickup, dropout or delay is kept as the index of its setting, or as -1 - number.
    """
    from warden import table_elements

    kept = {}
    numbers, stages = [], []  # type: list, list
    limits, switches = array("h"), array("h")
    small = [[], [], [], [], []]  # type: list
    for line in text.lines(table_elements.ROWS):
        r = table_elements.row(line)
        for word, column in ((r[0], numbers), (r[1], stages)):
            if word not in kept:
                kept[word] = word.encode()
            column.append(kept[word])
        for column, value in zip(small, (r[2], r[3], r[4] + 1, r[8], r[9])):
            column.append(value)
        limits.extend(array("h", [-1 - v if isinstance(v, int) else settings.BASE[v] for v in r[5:8]]))
        switches.append(settings.BASE[r[10]] if r[10] else -1)
    return (tuple(numbers), tuple(stages), limits, switches) + tuple([bytes(column) for column in small])


NUMBER, STAGE, LIMITS, SWITCH, WATCHES, QUANTITY, SIDE, ACTION, AWAKE_IN = _columns()
text.let_go("table_elements")
MEASURES = bytes([word[0] == 77 for word in NUMBER])  # M rows: about a measurement

IDLE, PICKED, OPERATED = 0, 1, 2
EVENTS = 32  # ring of operations and releases waiting to be told


def switched_off(values):
    """True when any switch that a row names is off."""
    for switch in SWITCH:
        if switch >= 0 and not values[switch]:
            return True
    return False


class Elements:
    """The state of every row for everything it watches."""

    def __init__(self, values):
        """`values`: the settings array."""
        self.base = array("h")  # where each row's cells start
        cells = 0
        for group in WATCHES:
            self.base.append(cells)
            cells += EACH[group]
        self.state = bytearray(cells)
        self.timer_ms = array("i", [0] * cells)
        self.up = array("i", [0] * 6)  # operated cells for each action
        self.picked = array("i", [0] * 6)  # cells picked up and not yet operated, for each action
        self.live = 0  # cells picked up or operated in rows that trip
        self.event = [bytearray(EVENTS), bytearray(EVENTS), bytearray(EVENTS), array("i", [0] * EVENTS)]
        self.event_head = 0
        self.event_n = 0
        self.trip_row = -1  # first trip operated since the relay last looked; -1: none
        self.trip_k = 0
        self.trip_x = 0
        self.mode = BOOT
        self.configure(values)

    def configure(self, values):
        """Resolve the table against settings.  At rest only: this allocates."""
        self.rows = ([], [], [])  # type: tuple  # for each group
        for index in range(len(ACTION)):
            if SWITCH[index] < 0 or values[SWITCH[index]]:
                sign = SIDE[index] - 1
                at = 3 * index
                self.rows[WATCHES[index]].append((
                    AWAKE_IN[index], index, self.base[index], QUANTITY[index], sign, _value(LIMITS[at], values) * sign,
                    _value(LIMITS[at + 1], values) * sign, _value(LIMITS[at + 2], values),
                ))  # fmt: skip

    def enter(self, mode):
        """Change mode: rows that sleep in the new one forget what they had seen."""
        for index in range(len(ACTION)):
            if not AWAKE_IN[index] >> mode & 1:
                at = self.base[index]
                for k in range(EACH[WATCHES[index]]):
                    if self.state[at + k]:
                        self._release(index, at + k, k, 0)
        self.mode = mode

    def evaluate(self, group, k, x, known, dt_ms):
        """Run the rows of `group` that are awake on quantities `x` of thing `k`.

        known: bit q set where x[q] can be believed.  dt_ms: time since this thing was last evaluated.
        """
        state = self.state
        mode = self.mode
        for awake, index, base, q, sign, pickup, dropout, delay_ms in self.rows[group]:
            if not awake >> mode & 1:
                continue
            cell = base + k
            was = state[cell]
            if known >> q & 1:
                v = x[q] * sign
                if not was:
                    if v < pickup:
                        continue
                    state[cell] = PICKED
                    self.timer_ms[cell] = 0
                    self._count(self.picked, ACTION[index], 1)
                    if ACTION[index] & TRIPS:
                        self.live += 1
                elif v <= dropout:
                    if was == PICKED and MEASURES[index] and self.timer_ms[cell] > dt_ms:
                        # A measurement that is bad by turns is bad: its time runs back at half speed only.
                        self.timer_ms[cell] -= dt_ms >> 1
                        continue
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
                self._count(self.picked, ACTION[index], -1)
                self._count(self.up, ACTION[index], 1)
                self._tell(index, k, x[q], 1)
                if self.trip_row < 0 and ACTION[index] & TRIPS:
                    self.trip_row, self.trip_k, self.trip_x = index, k, x[q]

    def _release(self, index, cell, k, value):
        action = ACTION[index]
        if action & TRIPS:
            self.live -= 1
        if self.state[cell] == OPERATED:
            self._count(self.up, action, -1)
            self._tell(index, k, value, 0)
        else:
            self._count(self.picked, action, -1)
        self.state[cell] = IDLE
        self.timer_ms[cell] = 0

    def _count(self, column, action, by):
        for bit in range(6):
            if action >> bit & 1:
                column[bit] += by

    def _tell(self, index, k, value, on):
        if self.event_n == EVENTS:
            return  # the row has acted; only the telling of it is lost, and `up` in the state line still counts it
        at = (self.event_head + self.event_n) % EVENTS
        self.event[0][at] = index
        self.event[1][at] = k
        self.event[2][at] = on
        self.event[3][at] = value
        self.event_n += 1


def _value(limit, values):
    return values[limit] if limit >= 0 else -1 - limit

"""One scan of the relay: sense -> permissives + elements -> sequence -> outputs, then what there is to tell.

    relay = Relay(board)
    while True:
        board.wait()              # until the next scan is due
        relay.scan(board.now_ms)  # reads the board's input buffers, sets its outputs; no heap
        relay.serve()             # commands from the wire; may use heap
        relay.idle()              # journal and settings to memory, only with every power output off

Nothing here reads a clock, calls back, or knows what the board is.
"""

from warden import elements, journal, records, settings
from warden.commands import Commands
from warden.elements import (
    BOX,
    MODULE,
    Q_BUTTON,
    Q_CHATTER,
    Q_ISO,
    Q_LATE,
    Q_MEMORY,
    Q_NO_CRASH,
    Q_NO_ESTOP,
    Q_NO_INTERLOCK,
    Q_NO_SERVICE,
    Q_NOT_CLOSED,
    Q_NOT_OPEN,
    Q_OFF,
    Q_PLUG,
    Q_PRE_FAST,
    Q_PRE_MS,
    Q_PRE_SHAPE,
    Q_SUM,
    STRING,
)  # fmt: skip
from warden.modes import (
    ALARMED,
    ASKED,
    CHARGE,
    CLEARED,
    CRASH,
    DERATED,
    DRIVE,
    DWELT,
    ESTOP,
    FILL,
    GO,
    HELD,
    INTERLOCK,
    LATCHED,
    LINK_DEAD,
    LOCKOUT,
    LOW_CURRENT,
    MAIN,
    MAINAUX,
    MAY_CLOSE,
    POWER,
    PRECHARGE,
    PRECHARGED,
    RESET,
    REST,
    SERVICE,
    START,
    TESTED,
    TRIP,
    TRIP_NOW,
    UNPLUG,
    WAITED,
)  # fmt: skip
from warden.permissives import Permissives
from warden.reporter import Reporter
from warden.sense import POWER_MS_MAX, Sense
from warden.sequence import LIMITED, Sequence

TICKS = 0x3FFFFFFF  # ticks wrap at 2**30: differences are taken under this mask
BACKWARDS = 0x20000000  # a difference at or above this is a clock that went back
STEP_MS_MAX = 60000  # longest time that one scan may add to a timer
LATE_SLACK_MS = 2  # a scan this much after its time is not yet late
MA_MS_PER_MAH = 3600000


class Relay:
    """The relay on one board.  The board's interface is described in boards/bench.py."""

    def __init__(self, board):
        self.board = board
        self.values = settings.unpack(board.nv)
        self.settings_whole = self.values is not None
        if not self.settings_whole:
            self.values = settings.defaults()
        self.journal = journal.Journal()
        read = self.journal.read(board.nv, settings.IMAGE_BYTES)
        self.memory_bad = not self.settings_whole or read == journal.DAMAGED
        self.journal.word[journal.BOOTS] += 1
        self.journal.dirty = True
        self.elements = elements.Elements(self.values)
        self.permissives = Permissives(self.values)
        self.sense = Sense(self.values)
        self.sequence = Sequence()
        self.outbox = records.Outbox()
        self.word = 0
        self.clock = 0
        self.last_ms = -1
        self.mode_ms = 0
        self.unplug_ms = 0
        self.clear_ms = 0
        self.limit_u = 0  # limit in millionths
        self.late_n = 0
        self.late_score = 0
        self.worst_ms = 0
        self.served = False
        self.asked = False
        self.button_ms = 0
        self.released = False  # reset was seen open since this mode began
        self.start_open = False  # and start
        self.chatter_ms = 0
        self.was_aux = 0
        self.shape_seen = False
        self.link_start_mv = 0
        self.link_rest_mv = 0  # link at rest, a second ago at the most
        self.link_before_mv = 0  # and the second before that
        self.link_ms = 0
        self.link_moved = False
        self.box_next = 0
        self.box_clock = [0] * settings.BOXES_MAX
        self.module_clock = [0] * settings.MODULES_MAX
        self.ma_ms_out = self.ma_ms_in = self.mj_out = self.mj_in = 0
        self.configure(self.values)
        self.reporter = Reporter(self)
        self.commands = Commands(self)

    def configure(self, values):
        """Take settings.  At rest only: this allocates."""
        base = settings.BASE
        self.values = values
        for part in (self.elements, self.permissives, self.sense):
            part.configure(values)
        self.iso_on = values[base["e64_on"]]
        self.unplug_hold_ms = values[base["unplug_hold_ms"]]
        self.dwell_ms = values[base["min_dwell_ms"]]
        self.shed_ms = values[base["shed_ms"]]
        self.boot_ms = values[base["boot_ms"]]
        self.clear_hold_ms = values[base["clear_ms"]]
        self.break_ma = values[base["break_ma"]]
        self.link_dead_mv = values[base["link_dead_mv"]]
        self.window_ms = values[base["ops_window_ms"]]
        self.op_ms = self.window_ms // values[base["ops_max"]]
        self.closing_ms = self.window_ms  # room left in the closing limit
        self.derate_u = values[base["derate_permille"]] * 1000
        self.limit_up = values[base["limit_up_permille_s"]]
        self.limit_down = values[base["limit_down_permille_s"]]
        self.pre_band = 1000 - values[base["pre_band_permille"]]
        self.pre_fast_ms = values[base["pre_fast_ms"]]
        self.pre_check_ms = values[base["pre_check_ms"]]
        self.pre_low = values[base["pre_check_low_permille"]]
        self.pre_high = values[base["pre_check_high_permille"]]
        self.drop = 1000 - values[base["k72_drop_permille"]]
        # Beyond the trip, but forgotten by the time that a lockout can end: else the next start would trip on the last.
        self.late_most = 2 * values[base["late_trip_ms"]]
        self.stuck_button_ms = values[base["stuck_button_ms"]]
        self.sense.string[Q_OFF] = 1 if elements.switched_off(values) else 0
        self.sense.string[Q_MEMORY] = 1 if self.memory_bad else 0
        self.cfg = settings.digest(values)

    # -- the scan ---------------------------------------------------------------------------------------

    def scan(self, now_ms):
        """One scan at `now_ms` (ticks that wrap at 2**30)."""
        board = self.board
        dt_ms = self._time(now_ms)
        self.clock = (self.clock - TICKS - 1 + dt_ms) & TICKS  # in this order: never beyond 2**30
        self.mode_ms += dt_ms
        if self.mode_ms > 100000000:
            self.mode_ms = 100000000
        mode = self.sequence.mode
        raw = board.discretes
        self.permissives.update(raw, dt_ms)
        sense = self.sense
        sense.scalars(board, mode, dt_ms)
        self._count_energy(dt_ms)
        self._contactors(raw, mode, dt_ms)
        self._flags(raw, dt_ms)
        self._modules(board)
        self._box(board)
        sense.taps(mode)
        known = sense.string_known
        self.elements.evaluate(STRING, 0, sense.string, known, dt_ms)
        self._latch(mode)
        self._assemble(raw, dt_ms)
        if self.sequence.step(self.word):
            self._changed(mode)
        self.sequence.drive_outputs(self.word)
        self._limit(dt_ms)
        board.out_bits = self.sequence.outputs | sense.iso_outputs
        board.limit_permille = self.limit_u // 1000
        sense.last_scan_ma = sense.ma
        told = self.reporter
        self.journal.sample(dt_ms, sense.ma, sense.string_mv, sense.link_mv, told.low(), told.low_mv())
        told.tell(now_ms, dt_ms)

    def _time(self, now_ms):
        """Time since the last scan, and the account of scans that came late."""
        if self.last_ms < 0:
            self.last_ms = now_ms
            return 0
        dt_ms = (now_ms - self.last_ms) & TICKS
        self.last_ms = now_ms
        nominal_ms = self.board.scan_ms
        if dt_ms >= BACKWARDS:
            dt_ms = nominal_ms
            over_ms = STEP_MS_MAX
        elif dt_ms * 2 < nominal_ms:
            # A clock that stands still would hold every delay off: count the interval, and the clock as wrong.
            over_ms = nominal_ms
            dt_ms = nominal_ms
        else:
            over_ms = dt_ms - nominal_ms
        if dt_ms > self.worst_ms:
            self.worst_ms = dt_ms
        if over_ms > LATE_SLACK_MS and not self.served:
            self.late_n += 1
            self.late_score = min(self.late_score + over_ms, self.late_most)
        elif self.late_score:
            self.late_score -= dt_ms // 8 + 1
            if self.late_score < 0:
                self.late_score = 0
        self.served = False
        self.sense.string[Q_LATE] = self.late_score
        return dt_ms if dt_ms < STEP_MS_MAX else STEP_MS_MAX

    def _modules(self, board):
        sense = self.sense
        n = sense.n
        k = board.first
        for _ in range(board.fresh_n):
            if k >= n:
                k = 0
            dt_ms = (self.clock - self.module_clock[k]) & TICKS
            self.module_clock[k] = self.clock
            known = sense.sample(board.counts, k, board.absent)
            self.elements.evaluate(MODULE, k, sense.module, known, dt_ms)
            k += 1
            if k == n:
                sense.round_done()

    def _box(self, board):
        b = self.box_next
        if b >= self.sense.boxes:
            b = 0
        self.box_next = b + 1
        dt_ms = (self.clock - self.box_clock[b]) & TICKS
        self.box_clock[b] = self.clock
        known = self.sense.look_at_box(board.counts, b, board.absent, dt_ms)
        self.elements.evaluate(BOX, b, self.sense.box, known, dt_ms)

    def _contactors(self, raw, mode, dt_ms):
        """Quantities of 48 and 72: the precharge curve, and the main contactor against its command."""
        x = self.sense.string
        link, string = self.sense.link_mv, self.sense.string_mv
        # Never closed onto a string tap that reads less than the modules together.
        sense = self.sense
        modules = sense.sum_mv if sense.string_known >> Q_SUM & 1 else sense.median_mv * sense.n
        whole = string if string > modules else modules
        if mode == PRECHARGE:
            x[Q_PRE_MS] = self.mode_ms
            within = link * 1000 >= whole * self.pre_band if 0 < whole < 1000000 else False
            gap = whole - self.link_start_mv
            # Judged on the part of the curve still to go, so that a link left half full is not a fault.
            if gap > 0 and gap * 4 > whole:
                x[Q_PRE_FAST] = 1 if within and self.mode_ms < self.pre_fast_ms else 0
                if not self.shape_seen and self.mode_ms >= self.pre_check_ms:
                    self.shape_seen = True
                    done = (link - self.link_start_mv) * 1000 // gap
                    x[Q_PRE_SHAPE] = 0 if self.pre_low <= done <= self.pre_high else 1
            else:
                self.shape_seen = True
                x[Q_PRE_SHAPE] = 0 if self.link_moved else 1  # a link that reads full and never moves is not believed
            ripe = within and self.shape_seen and not x[Q_PRE_SHAPE] and self.mode_ms >= self.pre_fast_ms
            self.word = self.word | PRECHARGED if ripe else self.word & ~PRECHARGED
        else:
            x[Q_PRE_MS] = x[Q_PRE_FAST] = x[Q_PRE_SHAPE] = 0
            self.word &= ~PRECHARGED
        self.link_ms += dt_ms
        if mode == REST and self.link_ms >= 1000:
            self.link_ms = 0
            self.link_before_mv = self.link_rest_mv
            self.link_rest_mv = link
        aux = raw & MAINAUX
        if self.sequence.outputs & MAIN:
            x[Q_NOT_CLOSED] = 0 if aux and link * 10 >= string * 9 else 1
            x[Q_NOT_OPEN] = 0
        else:
            x[Q_NOT_CLOSED] = 0
            # The lower of the two, unless the string tap reads next to nothing.
            low = string if modules // 2 < string < modules else modules
            full = mode != PRECHARGE and low > 0 and link * 1000 > low * self.drop
            x[Q_NOT_OPEN] = 1 if aux or full else 0
        if aux != self.was_aux:
            self.was_aux = aux
            if x[Q_CHATTER] < 100:
                x[Q_CHATTER] += 1
        self.chatter_ms += dt_ms
        if self.chatter_ms >= 250:
            self.chatter_ms = 0
            if x[Q_CHATTER]:
                x[Q_CHATTER] -= 1

    def _flags(self, raw, dt_ms):
        """Quantities that are a lost permissive or a stuck button."""
        x = self.sense.string
        bits = self.permissives.bits
        x[Q_NO_ESTOP] = 0 if bits & ESTOP else 1
        x[Q_NO_CRASH] = 0 if bits & CRASH else 1
        x[Q_NO_SERVICE] = 0 if bits & SERVICE else 1
        x[Q_NO_INTERLOCK] = 0 if bits & INTERLOCK else 1
        x[Q_PLUG] = 0 if bits & UNPLUG else 1
        if raw & (START | RESET):
            if self.button_ms < self.stuck_button_ms:
                self.button_ms += dt_ms
        else:
            self.button_ms = 0
        x[Q_BUTTON] = 1 if self.button_ms >= self.stuck_button_ms else 0
        if raw & UNPLUG and bits & UNPLUG:
            if self.unplug_ms < self.unplug_hold_ms:
                self.unplug_ms += dt_ms
        else:
            self.unplug_ms = 0

    def _latch(self, mode):
        """The first trip that operated in this scan is latched and journalled."""
        e = self.elements
        if e.trip_row >= 0:
            self.journal.latch(e.trip_row, e.trip_k, e.trip_x, mode)
            e.trip_row = -1

    def _assemble(self, raw, dt_ms):
        """The word that the tables read: believed inputs, and the facts of this scan."""
        e = self.elements
        sense = self.sense
        up = e.up
        word = self.permissives.bits | self.word & PRECHARGED
        if not (raw | word) & RESET:
            self.released = True
        if not self.released:
            word &= ~RESET  # a reset that was held all along asks for nothing
        if not (raw | word) & START:
            self.start_open = True
        if not self.start_open:
            word &= ~START  # nor does a start: welded, it would set the car off on the key alone
        self.clear_ms = 0 if e.live else self.clear_ms + dt_ms
        if self.clear_ms > self.clear_hold_ms:
            self.clear_ms = self.clear_hold_ms
        if self.closing_ms < self.window_ms:
            self.closing_ms += dt_ms
        if self.unplug_ms >= self.unplug_hold_ms:
            word |= HELD
        # At rest nothing may begin on what is doubtful: a row that has only picked up, an isolation not yet measured,
        # a main contactor not yet seen open.  Once begun, only what has operated stops it.
        resting = self.sequence.mode == REST
        known = sense.string_known >> Q_ISO & 1 or not self.iso_on
        barred = resting and (not known or sense.string[Q_NOT_OPEN])
        if not up[2] and not barred and not (resting and e.picked[2]):
            word |= GO
        if not up[3] and not barred and not (resting and e.picked[3]):
            word |= FILL
        if up[4]:
            word |= TRIP
        if up[5]:
            word |= TRIP_NOW
        if self.journal.word[journal.LATCHED]:
            word |= LATCHED
        if self.clear_ms >= self.clear_hold_ms and known:
            word |= CLEARED
        if sense.ma_known and -self.break_ma < sense.ma < self.break_ma:
            word |= LOW_CURRENT
        if sense.link_mv < self.link_dead_mv:
            word |= LINK_DEAD
        if self.mode_ms >= self.dwell_ms:
            word |= DWELT
        if self.mode_ms >= self.shed_ms:
            word |= WAITED
        if self.mode_ms >= self.boot_ms and sense.ever == (1 << sense.n) - 1:
            word |= TESTED
        elif self.mode_ms >= self.boot_ms * 4:
            word |= TESTED  # some module never answered: rest, where its element says so
        if self.closing_ms >= self.op_ms:
            word |= MAY_CLOSE
        if self.asked:
            word |= ASKED
        if up[0] or up[4] or up[5] or word & LATCHED:
            word |= ALARMED
        if up[1]:
            word |= DERATED
        self.word = word
        self.asked = False

    def _changed(self, was):
        """The mode has changed: start its clock, wake and put to sleep rows, count what is counted."""
        now = self.sequence.mode
        self.mode_ms = 0
        self.released = self.start_open = False
        self.word &= ~(DWELT | WAITED)
        self.elements.enter(now)
        j = self.journal
        if was == LOCKOUT:
            j.clear()
            self.word &= ~LATCHED
        if now == REST:
            self.link_rest_mv = self.link_before_mv = self.sense.link_mv
            self.link_ms = 0
        if now == PRECHARGE:
            self.closing_ms -= self.op_ms
            moved = self.link_before_mv - self.sense.link_mv
            self.link_moved = (moved if moved >= 0 else -moved) * 500 > self.sense.string_mv
            self.shape_seen = False
            self.link_start_mv = self.sense.link_mv
        if now == DRIVE:
            j.word[journal.OPS] += 1
            self.limit_u = 1000000
        if now == CHARGE:
            self.closing_ms -= self.op_ms
            self.limit_u = 1000000
        j.dirty = True
        self.reporter.changed(was)

    def _limit(self, dt_ms):
        """The power limit: down quickly when an element asks for less, up again slowly."""
        mode = self.sequence.mode
        if mode not in LIMITED or self.word & (TRIP | TRIP_NOW):
            self.limit_u = 0
            return
        target = self.derate_u if self.word & DERATED else 1000000
        step = POWER_MS_MAX if dt_ms > POWER_MS_MAX else dt_ms
        if self.limit_u > target:
            self.limit_u -= self.limit_down * step
            if self.limit_u < target:
                self.limit_u = target
        elif self.limit_u < target:
            self.limit_u += self.limit_up * step
            if self.limit_u > target:
                self.limit_u = target

    def _count_energy(self, dt_ms):
        """Charge in mA.ms and energy in mJ, carried into mAh and Wh: every product below 2**30."""
        sense = self.sense
        if not sense.ma_known:
            return
        if dt_ms > POWER_MS_MAX:
            dt_ms = POWER_MS_MAX
        w = self.journal.word
        ma = sense.ma
        size = ma if ma >= 0 else -ma
        mw = sense.string_mv // 100 * (size // 10)
        mj = mw // 1000 * dt_ms + mw % 1000 * dt_ms // 1000
        if ma >= 0:
            self.ma_ms_out += size * dt_ms
            w[journal.MAH_OUT] += self.ma_ms_out // MA_MS_PER_MAH
            self.ma_ms_out %= MA_MS_PER_MAH
            self.mj_out += mj
            w[journal.WH_OUT] += self.mj_out // MA_MS_PER_MAH
            self.mj_out %= MA_MS_PER_MAH
        else:
            self.ma_ms_in += size * dt_ms
            w[journal.MAH_IN] += self.ma_ms_in // MA_MS_PER_MAH
            self.ma_ms_in %= MA_MS_PER_MAH
            self.mj_in += mj
            w[journal.WH_IN] += self.mj_in // MA_MS_PER_MAH
            self.mj_in %= MA_MS_PER_MAH

    # -- outside the scan -------------------------------------------------------------------------------

    def powered(self):
        """True while any power output is on, or a trip's moments are still being kept."""
        return self.board.out_bits & POWER or self.journal.left > 0

    def serve(self):
        """Take what came by wire and answer.  May use heap, so never part of the scan."""
        if self.commands.serve() and not self.powered():
            self.served = True  # lateness made by an answer at rest is not a fault

    def idle(self):
        """Hand the journal to the board's memory, only with every power output off."""
        if self.board.out_bits & POWER:
            return
        if self.journal.dirty:
            self.journal.write(self.board.nv, settings.IMAGE_BYTES)
            self.board.keep()
            self.served = True

    def store(self, values):
        """New settings, checked and at rest: into memory and into use."""
        settings.check(values)
        settings.pack(values, self.board.nv)
        self.journal.write(self.board.nv, settings.IMAGE_BYTES)
        self.board.keep()
        self.configure(values)
        self.served = True

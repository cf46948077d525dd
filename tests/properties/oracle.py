"""An independent statement of what the relay must do, looked at after every scan.

Written from the requirements (docs/properties.md lists them by number) and not from the relay: it sees raw inputs, the
true state of the world, what was sent, power cycles, output bits, the limit, and lines said.  It never looks inside.
A rule that does not hold raises Violation.  `met` counts how often each rule had something to say.
"""

from collections import Counter, deque

from truth import Truth

from warden.modes import (
    CHARGER,
    CRASH,
    ENABLE,
    ESTOP,
    INTERLOCK,
    KEY,
    LAMP,
    MAIN,
    MAINAUX,
    PEDAL,
    POWER,
    PRE,
    RESET,
    SERVICE,
    START,
    TRIPLAMP,
    UNPLUG,
)

RULES = {
    "0.1": "with everything in order a driver who asks gets to drive",
    "0.2": "with everything in order a plugged car charges",
    "0.3": "nothing operates without a cause",
    "1.1": "every power output and the limit off from power-up until boot_ms",
    "1.2": "damaged settings never run",
    "1.3": "enable only with main commanded and its auxiliary contact closed",
    "1.4": "limit 0 outside drive and charge",
    "2.1": "charger never on with anything of the drive path",
    "2.2": "drive path not begun within unplug_hold_ms of a plug, nor of power-up",
    "2.3": "a plug seen with the drive path closed opens it",
    "2.4": "charger begins only with the link dead and the contactor open",
    "2.5": "charger off once unplugged, and at once when the auxiliary contact closes",
    "3.1": "main closes only out of a precharge that took its time, with the link truly up",
    "3.2": "a precharge never lasts beyond pre_slow_ms",
    "4.1": "enable off means main off within shed_ms, and at once at low current",
    "4.2": "a load is broken only after shed_ms, or for an immediate cause",
    "4.3": "key off takes the enable and the limit, then main",
    "4.4": "a derating cause brings the limit down",
    "4.5": "a limit is lifted slowly",
    "4.6": "a trip takes the enable at once",
    "5.1": "27 floor: open within 500 ms whatever the load",
    "5.2": "27 compensated: open within 5 s",
    "5.4": "a low module starts nothing",
    "5.3": "27 lets sag be: low by the load alone is no trip",
    "6.1": "an untrusted measurement alarms within 1 s",
    "6.2": "an untrusted measurement trips within 10 s (stale 10.5 s)",
    "6.3": "nothing starts on an untrusted measurement",
    "7.1": "a lockout ends only by cause gone, key off and a new reset or the right code",
    "7.2": "a lockout outlives power",
    "7.3": "a trip is in the journal, with its cause",
    "7.4": "no power output while a trip is latched",
    "8.1": "a scan far too late, or a clock that jumped, opens",
    "8.2": "late scans are told",
    "8.3": "a clock that stands still opens",
    "8.4": "the clock wraps with power on, and every other rule still holds",
    "9.1": "settings are changed only at rest",
    "9.2": "each whole command gets one reply, anything else none",
    "9.3": "nothing begins but by the right hands: key, a new start, pedal, loops; or the plug",
    "9.4": "a wrong code or a live cause clears nothing",
    "10.1": "beginnings are limited: twice ops_max in any window",
    "10.2": "nothing begins within min_dwell_ms of the last",
    "10.3": "in a world that stands still a row operates once",
    "10.4": "what operated releases only beyond its dropout, unknown readings included",
    "27X.1": "aux too low opens",
    "27X.2": "aux low alarms, and too low does not start",
    "48.1": "a precharge of the wrong shape locks out",
    "48.2": "a precharge that is too fast locks out",
    "49.1": "a hot box opens within 5 s",
    "49.2": "a cold box is not charged",
    "59.1": "59 high opens within 600 ms",
    "59.2": "59 time opens",
    "60.1": "a module away from the others alarms within 5 s",
    "64.1": "isolation lost on charge takes the charger",
    "64.2": "isolation lost starts nothing",
    "69.1": "emergency stop opens within 30 ms",
    "69.2": "crash and service disconnect open within 50 ms",
    "69.3": "interlock lost opens within 100 ms",
    "72.1": "a weld is seen within 1 s of the open command",
    "72.2": "a main that does not close, or lets go, opens",
    "72.3": "a main that chatters opens",
    "76.1": "76 instantaneous opens within 30 ms",
    "76.2": "76 time opens once the I2t is spent",
    "76.3": "76 time lets be what the I2t allows",
    "M12.1": "a button that is stuck alarms and starts nothing",
}
BITS = (KEY, START, UNPLUG, INTERLOCK, ESTOP, CRASH, SERVICE, RESET, PEDAL)
LOOPS = (UNPLUG, INTERLOCK, ESTOP, CRASH, SERVICE)
DRIVE_PATH = MAIN | PRE | ENABLE
SCAN_MS = 10
LONG = 10**9


class Violation(AssertionError):
    """A rule that did not hold: its number, what was seen, and what was heard before."""

    def __init__(self, number, seen, world):
        self.number = number
        heard = "\n".join("  scan %d: %s" % pair for pair in list(world.heard)[-20:])
        super().__init__("%s: %s\nseen at scan %d: %s\n%s" % (number, RULES[number], world.scans, seen, heard))


class Oracle:
    """Holds `world` to the rules; call `scanned` after each of its scans."""

    def __init__(self, world, met=None):
        self.w = world
        self.s = world.set
        self.met = Counter() if met is None else met
        self.truth = Truth(world)
        self.hold_ms = dict.fromkeys(BITS, self.s["made_ms"] - SCAN_MS)
        self.hold_ms[START] = self.s["start_hold_ms"] - SCAN_MS
        self.latched = False
        self.first_trip = None
        self.damaged = False
        self.beginnings = deque()
        self.t = 0
        self.wrapped = world.now
        self.powered_up()

    # -- what the driver of the world tells -------------------------------------------------------------

    def powered_up(self):
        """Power came (back): the relay knows only what its memory kept."""
        self.was_latched = self.latched
        self.clock = {}
        self.each = {}
        self.told_trips = set()
        self.last_off_ms = 0
        self.up_ms = 0
        self.was = 0
        self.was_limit = 0
        self.high = dict.fromkeys(BITS, 0)
        self.low = dict.fromkeys(BITS, 0)
        self.good = dict.fromkeys(BITS, False)  # made for long enough, and not lost for long enough since
        self.plugged = False
        self.fresh_press = {START: False, RESET: False}
        self.since_plug_ms = 0
        self.off_ms = 0
        self.pre_ms = self.enable_off_ms = 0
        self.pre_link = self.shape = None
        self.rows = {}
        self.operated = Counter()
        self.asked = {}
        self.mode_at = 0
        self.clear_ok_at = -LONG
        self.beginnings.clear()
        if not self.latched:
            self.first_trip = None
        self.slow_boot = False
        self.stopped = 0
        self.was_key = 0
        self.late_score = 0
        self.aux_changes = deque()
        self.was_contact = 0
        self.truth.powered_up()

    def sent(self, req, text, right_code=False):
        """A whole command went out."""
        self.asked[req] = (self.t, text, right_code, self.unrest())

    def unrest(self):
        """From outside, this is surely not rest."""
        return bool(self.was & (POWER | TRIPLAMP)) or self.up_ms < self.s["boot_ms"]

    # -- machinery --------------------------------------------------------------------------------------

    def fail(self, number, seen):
        """Say what broke."""
        raise Violation(number, seen, self.w)

    def due(self, number, cause, budget_ms, done, key=0, since=True):
        """`done` must hold before `cause` has lasted for `budget_ms`."""
        at = (number, key)
        if not cause:
            self.clock.pop(at, None)
        elif done:
            if self.clock.pop(at, 0) and since:
                self.met[number] += 1
        else:
            took = self.clock.get(at, 0) + SCAN_MS
            self.clock[at] = took
            if took >= budget_ms:
                self.fail(number, "%s: %d ms and not done (budget %d)" % (key or cause, took, budget_ms))

    def due_each(self, number, causes, done):
        """The same for many causes at a time: cause -> budget."""
        old = self.each.get(number)
        if not causes:
            if old:
                self.each[number] = {}
            return
        old = old or {}
        if done:
            self.met[number] += sum(1 for cause in causes if cause in old)
            self.each[number] = {}
            return
        now = self.each[number] = {cause: old.get(cause, 0) + SCAN_MS for cause in causes}
        for cause, took in now.items():
            if took >= causes[cause]:
                self.fail(number, "%s: %d ms and not done (budget %d)" % (cause, took, causes[cause]))

    def scanned(self, late_ms=0, stopped=False):
        """Look at what this scan did."""
        w = self.w
        out, raw, limit = w.board.out_bits, w.board.discretes, w.board.limit_permille
        self.out, self.raw, self.limit = out, raw, limit
        self.dt = SCAN_MS + max(0, late_ms)
        self.t += self.dt
        self.up_ms += SCAN_MS
        self.rising, self.falling = out & ~self.was, self.was & ~out
        for bit in BITS:
            if raw & bit:
                if not self.high[bit] and bit in self.fresh_press and self.up_ms > SCAN_MS:
                    self.fresh_press[bit] = True
                self.high[bit] += SCAN_MS
                self.low[bit] = 0
                if self.high[bit] >= self.hold_ms[bit]:
                    self.good[bit] = True
            else:
                self.low[bit] += SCAN_MS
                self.high[bit] = 0
                if self.low[bit] > self.s["lost_ms"] + SCAN_MS:
                    self.good[bit] = False
        if self.high[UNPLUG] > self.s["made_ms"] + SCAN_MS:
            self.plugged = False
        elif self.low[UNPLUG] >= self.s["lost_ms"]:
            self.plugged = True
        if self.low[UNPLUG] > self.s["lost_ms"] + SCAN_MS:
            self.since_plug_ms = 0
        else:
            self.since_plug_ms += self.dt
        if (out ^ self.was) & (POWER | TRIPLAMP):
            self.mode_at = w.scans
            self.truth.mode_changed()
        self.off_ms = 0 if out & POWER else self.off_ms + self.dt
        self.truth.scanned(self.dt, self.t, late_ms if not stopped else -1, out)
        self.booted = self.up_ms > self.boot_most() + 50
        self.listen()
        self.outputs()
        self.doors()
        self.precharge()
        self.staged(late_ms)
        self.modules()
        self.string()
        self.measurements()
        self.permissives()
        self.latching()
        self.time(late_ms, stopped)
        self.beginning()
        self.contactor()
        self.was, self.was_limit = out, limit
        self.was_key = self.high[KEY]

    # -- lines: 0.3, 5.3, 7.3, 9, 10.3, 10.4 ------------------------------------------------------------

    def listen(self):
        """Events, replies and the journal as told."""
        for line in self.w.said:
            kind = line[:4]
            if kind == "even":
                f = fields(line)
                self.event((f["el"], f["stage"], int(f["ix"])), f["on"] == "1", int(f["act"], 16), int(f["x"]))
            elif kind == "repl":
                self.reply(fields(line))
            elif kind == "trip":
                self.journal(fields(line))
        for req, asked in self.asked.items():
            if self.t - asked[0] > 3000:
                self.fail("9.2", "no reply to %d %s" % (req, asked[1]))

    def event(self, row, on, act, x):
        """A row operated or released."""
        trip = act & 48
        if on:
            excuse = self.truth.excuse(row)
            if not excuse:
                self.fail("0.3" if row[0] != "27" else "5.3", "%s/%s %d operated at x=%d" % (*row, x))
            self.met["0.3"] += 1
            since, n = self.operated.get(row, (0, 0))
            n = n + 1 if since > max(self.w.changed, self.mode_at) + 100 else 1
            self.operated[row] = (self.w.scans, n)
            if not self.truth.restless():
                self.met["10.3"] += 1
                if n > 1:
                    self.fail("10.3", "%s/%s %d operated again in a world that stood still" % row)
            if trip:
                self.met["4.6"] += bool(self.out & MAIN or self.off_ms < 500)
                if self.out & (ENABLE | CHARGER | PRE):
                    self.fail("4.6", "out=%x when %s/%s %d was told" % (self.out, *row))
                if self.first_trip is None:
                    self.first_trip = row
                self.latched = True
        else:
            if not self.truth.may_release(row):
                self.fail("10.4", "%s/%s %d released at x=%d" % (*row, x))
            if self.truth.has_dropout(row):
                self.met["10.4"] += 1
        self.truth.row(row, on)

    def reply(self, f):
        """9.1, 9.2, 9.4."""
        asked = self.asked.pop(int(f["req"]), None)
        if asked is None:
            self.fail("9.2", "a reply to nothing: %s" % f)
        self.met["9.2"] += 1
        _at, text, right_code, unrest = asked
        ok = f["status"] == "ok"
        if text[:3] in ("set", "app") and unrest and self.unrest():
            self.met["9.1"] += 1
            if ok and not self.truth.damage:  # a damaged memory is mended in its lockout
                self.fail("9.1", "%s was taken" % text)
        if text[:5] == "clear":
            if ok:
                self.clear_ok_at = self.t
            if not right_code or self.high[KEY] > 400 or self.live_cause():
                self.met["9.4"] += 1
                if ok:
                    self.fail("9.4", "%s was taken: %s" % (text, self.live_cause()))

    def journal(self, f):
        """7.3: the trip that began this lockout is told, latched."""
        row = (f["el"], f["stage"], int(f["ix"]))
        self.told_trips.add((row, f["latched"]))
        if self.first_trip and (self.first_trip, "1") in self.told_trips:
            self.met["7.3"] += 1

    def listed(self, first):
        """After a whole listing of trips: the one that began this lockout must have been there."""
        if first and first == self.first_trip and not self.truth.damage and (first, "1") not in self.told_trips:
            self.fail("7.3", "%s/%s %d is not in the journal" % first)
        self.told_trips = set()

    # -- 1 ----------------------------------------------------------------------------------------------

    def outputs(self):
        """1.1 to 1.4, 4.5."""
        s, out, limit, raw = self.s, self.out, self.limit, self.raw
        if self.up_ms < s["boot_ms"]:
            if out & POWER or limit:
                self.fail("1.1", "out=%x limit=%d %d ms after power-up" % (out, limit, self.up_ms))
            self.met["1.1"] += self.up_ms == SCAN_MS
        if self.damaged:
            self.met["1.2"] += self.up_ms == SCAN_MS
            if out & POWER:
                self.fail("1.2", "out=%x on damaged settings" % out)
            if self.up_ms > max(500, s["boot_ms"]) + 200 and not out & TRIPLAMP:
                self.fail("1.2", "no lockout on damaged settings")
        if out & ENABLE:
            self.met["1.3"] += 1
            if not (out & MAIN and raw & MAINAUX):
                self.fail("1.3", "out=%x contact=%d" % (out, bool(raw & MAINAUX)))
        if limit:
            if not out & (MAIN | CHARGER) or (out & MAIN and not out & ENABLE and raw & MAINAUX):
                self.fail("1.4", "limit %d with out=%x" % (limit, out))
        else:
            self.met["1.4"] += 1
        if limit > self.was_limit:
            if self.was & (ENABLE | CHARGER):
                most = s["limit_up_permille_s"] * (self.dt + SCAN_MS) // 1000 + 2
                if limit - self.was_limit > most:
                    self.fail("4.5", "limit from %d to %d in %d ms" % (self.was_limit, limit, self.dt))
                self.met["4.5"] += 1

    # -- 2, 9.3 -----------------------------------------------------------------------------------------

    def doors(self):
        """2.1 to 2.5."""
        w, s, out, raw = self.w, self.s, self.out, self.raw
        if out & CHARGER:
            self.met["2.1"] += 1
            if out & DRIVE_PATH:
                self.fail("2.1", "out=%x" % out)
            if raw & MAINAUX:
                self.fail("2.5", "charger on with the auxiliary contact closed")
        if self.rising & (MAIN | PRE):
            self.met["2.2"] += 1
            if self.since_plug_ms < s["unplug_hold_ms"] - 2 * SCAN_MS:
                self.fail("2.2", "%d ms after the plug" % self.since_plug_ms)
        self.due("2.3", self.low[UNPLUG] and "plug", s["lost_ms"] + 20 + s["shed_ms"], not out & DRIVE_PATH)
        if self.rising & CHARGER:
            self.met["2.4"] += 1
            hidden = w.link_fault or w.contact_says is not None and w.main_stuck
            if (w.link_mv > s["link_dead_mv"] * 102 // 100 + 50 and not hidden) or (w.closed and not hidden):
                self.fail("2.4", "link at %d mV, contactor %s" % (w.link_mv, w.closed))
        self.due("2.5", self.high[UNPLUG] and "unplugged", s["made_ms"] + 30, not out & CHARGER)

    # -- 3, 48 ------------------------------------------------------------------------------------------

    def precharge(self):
        """3.1, 3.2, 48.1, 48.2."""
        w, s, out = self.w, self.s, self.out
        whole = sum(w.mv)
        if self.rising & MAIN:
            self.met["3.1"] += 1
            low = whole * (1000 - s["pre_band_permille"] - 10) // 1000 - 100
            if not self.was & PRE or self.pre_ms < s["pre_fast_ms"]:
                self.fail("3.1", "main closes after %d ms of precharge" % self.pre_ms)
            if w.link_mv < low and not self.truth.misread_low():
                self.fail("3.1", "link at %d mV of %d" % (w.link_mv, whole))
        if self.rising & PRE:
            self.pre_link, self.shape, self.pre_ms = w.link_mv, None, 0
            self.pre_scan = w.scans
        if (out | self.was) & PRE:
            self.pre_ms += self.dt
            if out & PRE and self.pre_ms > s["pre_slow_ms"] + 3 * SCAN_MS:
                self.fail("3.2", "precharging for %d ms" % self.pre_ms)
            self.met["3.2"] += not out & PRE and self.pre_ms + 100 > s["pre_slow_ms"]
            steady = w.changed < self.pre_scan and not self.truth.blind()
            if self.shape is None and steady and self.pre_link < whole * 6 // 10:
                self.shape = self.curve((w.link_mv - self.pre_link) * 1000 // max(1, whole - self.pre_link))
            if self.shape and out & MAIN:
                self.fail("48.2" if self.shape == "fast" else "48.1", "main closes on a curve that was " + self.shape)
        if self.shape:
            number = "48.2" if self.shape == "fast" else "48.1"
            self.due(number, self.shape, s["pre_check_ms"] + 100, out & TRIPLAMP, since=False)
            self.met[number] += bool(out & TRIPLAMP)
        if not (out | self.was) & PRE:
            self.shape = None

    def curve(self, gone):
        """What is surely wrong with a precharge that has gone so many permille of its way; "" when it is right."""
        s = self.s
        if self.pre_ms < s["pre_fast_ms"] - 30 and gone > 1000 - s["pre_band_permille"] + 2:
            return "fast"
        if self.pre_ms < s["pre_check_ms"] + SCAN_MS:
            return None
        if gone > s["pre_check_high_permille"] + 60:
            return "high"
        return "low" if gone < s["pre_check_low_permille"] - 60 else ""

    # -- 4 ----------------------------------------------------------------------------------------------

    def staged(self, late_ms):
        """4.1 to 4.4, 4.6."""
        w, s, out = self.w, self.s, self.out
        if out & MAIN and not out & ENABLE and self.limit == 0 and (self.was & ENABLE or self.enable_off_ms):
            self.enable_off_ms += self.dt
            low = abs(w.true_ma) < s["break_ma"] * 9 // 10 and not w.sensor
            most = (30 if low else s["shed_ms"] + 20) + max(0, late_ms)
            if self.enable_off_ms > most:
                self.fail("4.1", "main on %d ms after the enable went, at %d mA" % (self.enable_off_ms, w.true_ma))
        elif self.falling & MAIN:
            waited = self.enable_off_ms
            self.met["4.1"] += waited > 0
            heavy = abs(w.true_ma) > s["break_ma"] * 11 // 10 and not w.sensor
            if heavy:
                self.met["4.2"] += 1
                if waited + SCAN_MS < s["shed_ms"] and not self.truth.immediate(self.low):
                    self.fail("4.2", "%d mA broken after %d ms" % (w.true_ma, waited))
            self.enable_off_ms = 0
        else:
            self.enable_off_ms = 0
        off = not out & (MAIN | PRE | ENABLE) and not (self.limit and not out & CHARGER)
        self.due("4.3", self.low[KEY] and "key off", s["lost_ms"] + 30 + s["shed_ms"], off)
        if self.low[KEY] > s["lost_ms"] + 20 and (out & ENABLE or (self.limit and out & MAIN)):
            self.fail("4.3", "enable or limit %d ms after the key" % self.low[KEY])
        if self.latched and out & (ENABLE | CHARGER | PRE):
            self.fail("4.6", "out=%x while a trip is latched" % out)
        ramp = (1000 - s["derate_permille"]) * 1000 // s["limit_down_permille_s"]
        low = self.limit <= s["derate_permille"] + 2 or not out & (ENABLE | CHARGER)
        causes = self.truth.derating(out)
        self.due_each("4.4", {cause: after + ramp + 300 for cause, after in causes.items()}, low)

    # -- elements: deadlines on the truth ---------------------------------------------------------------

    def modules(self):
        """5.1, 5.2, 59, 60."""
        s, out, truth = self.s, self.out, self.truth
        path = out & (MAIN | PRE)
        off = not out & POWER
        path = path or self.was & (MAIN | PRE)
        floor_ms = 100 + ceil100(s["v27_floor_ms"]) + s["shed_ms"] + 50
        flat = truth.under_floor(path, self.each.get("5.1", ()))
        self.due_each("5.1", {k: floor_ms + extra for k, extra in flat.items()}, off)
        time_ms = s["v27_delay_ms"] + 450 + s["shed_ms"] + truth.lag_ms
        self.due_each("5.2", dict.fromkeys(truth.under_time(path), time_ms), off)
        self.met["5.3"] += truth.sags_in_health(path)
        on = (out | self.was) & POWER
        self.due("59.1", on and truth.over_high(), 100 + ceil100(s["v59_high_ms"]) + s["shed_ms"] + 60, off)
        self.due("59.2", on and truth.over_time(), s["v59_delay_ms"] + 600 + s["shed_ms"] + truth.lag_ms, off)
        self.due("60.1", truth.away(), s["v60_delay_ms"] + 600 + truth.lag_ms, out & (LAMP | TRIPLAMP))

    def string(self):
        """27X, 49, 64, 76."""
        s, out, truth = self.s, self.out, self.truth
        on, off, lit = (out | self.was) & POWER, not out & POWER, out & (LAMP | TRIPLAMP)
        booted = self.booted
        self.due("76.1", on and truth.beyond_inst(), s["i76_inst_ms"] + 20, off)
        self.due("76.2", on and truth.spent(102), 60 + s["shed_ms"] + SCAN_MS, off)
        self.met["76.2"] += bool(self.falling & MAIN and truth.spent(97))
        self.met["76.3"] += truth.hot_but_allowed()
        self.due("27X.1", on and truth.aux_below("aux_trip_mv"), s["aux_trip_ms"] + 50 + s["shed_ms"], off)
        self.due("27X.2", booted and truth.aux_below("aux_alarm_mv"), s["aux_alarm_ms"] + 300, lit)
        self.due("49.1", on and truth.hot(), s["t49_delay_ms"] + 500, off)
        charging = (out | self.was) & CHARGER
        self.due("49.2", charging and truth.cold(), s["t49_delay_ms"] + 500, not out & CHARGER)
        leak = truth.leaky()
        budget = 4 * s["iso_phase_ms"] + s["iso_delay_ms"] + 1000
        self.due("64.1", leak and charging, budget, not out & CHARGER)
        self.due("64.2", leak and booted, budget, lit)

    def measurements(self):
        """6.1, 6.2; 6.3 is with the beginnings."""
        s, out = self.s, self.out
        locked = out & TRIPLAMP
        lit = out & (LAMP | TRIPLAMP)
        booted = self.booted
        faults = self.truth.untrusted() if booted else {}
        alarm = {"m": s["m_alarm_ms"] + 300, "stale": s["stale_ms"] + 500}
        self.due_each("6.1", {fault: alarm[kind] for fault, kind in faults.items()}, lit)
        trip = {"m": s["m_trip_ms"] + 500, "stale": s["m_trip_ms"] + s["stale_ms"] + 500}
        faults.pop(("offset", 0), None)
        self.due_each("6.2", {fault: trip[kind] for fault, kind in faults.items()}, locked)

    # -- 69, M12 ----------------------------------------------------------------------------------------

    def permissives(self):
        """69.1 to 69.3, M12.1."""
        s, low, off = self.s, self.low, not self.out & POWER
        self.due("69.1", low[ESTOP] and "estop", s["lost_fast_ms"] + 20, off)
        self.due("69.2", low[CRASH] and "crash", s["lost_ms"] + 20, off, "crash")
        self.due("69.2", low[SERVICE] and "service", s["lost_ms"] + 20, off, "service")
        self.due("69.3", low[INTERLOCK] and "interlock", s["lost_ms"] + 20 + s["shed_ms"], off)
        stuck = max(self.high[START], self.high[RESET]) > s["stuck_button_ms"] + s["reset_hold_ms"] + 100
        self.due("M12.1", stuck and self.booted, 300, self.out & (LAMP | TRIPLAMP), since=False)
        if stuck:
            self.met["M12.1"] += 1
            if self.rising & (PRE | CHARGER):
                self.fail("M12.1", "a beginning with a stuck button")

    # -- 7 ----------------------------------------------------------------------------------------------

    def live_cause(self):
        """A cause of a trip that is surely there now; none of these lets a lockout end."""
        for bit, name in ((ESTOP, "estop"), (CRASH, "crash"), (SERVICE, "service"), (INTERLOCK, "interlock")):
            if self.truth.lost_lately(name):
                return "%s lost, back for %d ms" % (name, self.high[bit])
        return "damaged" if self.damaged else self.truth.live()

    def boot_most(self):
        """Self-test takes at least boot_ms; four of them when a reading that can't be believed is waited for."""
        if self.truth.faults and self.up_ms <= 4 * self.s["boot_ms"]:
            self.slow_boot = True
        return self.s["boot_ms"] * (4 if self.slow_boot else 1)

    def latching(self):
        """7.1, 7.2, 7.4."""
        s, out = self.s, self.out
        for bit, name in ((ESTOP, "estop"), (CRASH, "crash"), (SERVICE, "service"), (INTERLOCK, "interlock")):
            if self.low[bit] > s["lost_ms"] + SCAN_MS and out & (TRIPLAMP | POWER):
                self.truth.note_lost(name)
            elif self.high[bit] >= s["clear_ms"]:
                self.truth.lost.discard(name)
        if self.rising & TRIPLAMP:
            self.fresh_press[RESET] = False
            self.latched = True
        if self.falling & TRIPLAMP:
            self.met["7.1"] += 1
            pressed = self.fresh_press[RESET] and self.high[RESET] >= s["reset_hold_ms"]
            asked = self.t - self.clear_ok_at <= 100
            cause = self.live_cause()
            if cause or self.high[KEY] > s["made_ms"] or not (pressed or asked):
                self.fail("7.1", "lockout left: cause %s, key %d, reset %s for %d ms, code %s" % (
                    cause, self.high[KEY], self.fresh_press[RESET], self.high[RESET], asked))  # fmt: skip
            self.latched = False
            self.first_trip = None
        if self.latched and not out & TRIPLAMP:
            self.due("7.2", True, self.boot_most() + 150, False)
        elif self.latched:
            self.met["7.2"] += self.was_latched
            self.was_latched = False
        if out & TRIPLAMP:
            self.met["7.4"] += 1
            if out & POWER:
                self.fail("7.4", "out=%x in lockout" % out)

    # -- 8 ----------------------------------------------------------------------------------------------

    def time(self, late_ms, stopped):
        """8.1 to 8.4."""
        w, s, out = self.w, self.s, self.out
        power = out & (MAIN | PRE | CHARGER)
        if w.now < self.wrapped and late_ms >= 0:
            self.met["8.4"] += bool(power)
        self.wrapped = w.now
        if (late_ms > s["late_trip_ms"] + 20 or late_ms < 0) and self.was & POWER:
            self.clock["8.1", 0] = SCAN_MS
        if ("8.1", 0) in self.clock:
            self.due("8.1", "late", 30 + s["shed_ms"], not power)
        # At rest an answer or the journal may take its time: that lateness is no fault.
        if (late_ms > 2 * s["late_ms"] + 20 or late_ms < 0) and self.was & POWER:
            self.clock["8.2", 0] = SCAN_MS
        if ("8.2", 0) in self.clock:
            self.due("8.2", self.booted, 100, out & (LAMP | TRIPLAMP))
        self.stopped = self.stopped + 1 if stopped else 0
        self.due("8.3", self.stopped and "stopped", s["late_trip_ms"] + 60 + s["shed_ms"], not power)

    # -- 9.3, 10 and what forbids a beginning -----------------------------------------------------------

    def beginning(self):
        """9.3, 6.3, 10.1, 10.2, 0.1, 0.2; starts that 27X, 49C and 64 forbid."""
        s, out, high, low = self.s, self.out, self.high, self.low
        begins = self.rising & (PRE | CHARGER)
        if begins:
            self.met["9.3"] += 1
            for bit in LOOPS[1:] + ((KEY, START, PEDAL, UNPLUG) if begins & PRE else ()):
                if not self.good[bit]:
                    self.fail("9.3", "begun with input %x high for %d ms" % (bit, high[bit]))
            if begins & CHARGER and (not self.plugged or high[KEY] > s["made_ms"] + SCAN_MS):
                self.fail("9.3", "charging begun with the plug in for %d ms, key on for %d" % (low[UNPLUG], high[KEY]))
            if begins & PRE and not self.fresh_press[START]:
                self.fail("9.3", "begun on an old press of start")
            self.met["10.2"] += 1
            if self.last_off_ms < s["min_dwell_ms"] - 2 * SCAN_MS:
                self.fail("10.2", "begun %d ms after the last" % self.last_off_ms)
            for number, why in self.truth.forbids(begins):
                self.fail(number, "begun with %s" % (why,))
            self.beginnings.append(self.t)
            while self.t - self.beginnings[0] > s["ops_window_ms"]:
                self.beginnings.popleft()
            self.met["10.1"] += len(self.beginnings) >= s["ops_max"]
            if len(self.beginnings) > 2 * s["ops_max"]:
                self.fail("10.1", "%d beginnings in %d ms" % (len(self.beginnings), s["ops_window_ms"]))
        if out & (POWER | TRIPLAMP):
            self.fresh_press[START] = False
        self.last_off_ms = self.off_ms
        if not out & POWER:
            for number in self.truth.wanted_but_forbidden(high, low):
                self.met[number] += 1
        ready = self.ready()
        start = ready and self.since_plug_ms > s["unplug_hold_ms"] + 300 and self.fresh_press[START]
        start = start and all(high[b] > max(s["made_ms"], s["start_hold_ms"]) for b in (KEY, START, PEDAL, UNPLUG))
        self.due("0.1", start and "asked to drive", 1500, out & (PRE | MAIN), since=False)
        plug = ready and low[UNPLUG] > 500 and low[KEY] > 500 and self.w.link_mv < s["link_dead_mv"] * 95 // 100
        self.due("0.2", plug and "asked to charge", 1500, out & CHARGER, since=False)
        self.met["0.1"] += bool(ready and self.rising & PRE)
        self.met["0.2"] += bool(ready and self.rising & CHARGER)

    def ready(self):
        """Nothing is wrong and nothing has been for long: the relay has no reason to refuse."""
        s, out = self.s, self.out
        while self.beginnings and self.t - self.beginnings[0] > s["ops_window_ms"]:
            self.beginnings.popleft()
        if self.latched or self.damaged or out & (MAIN | TRIPLAMP):
            return False
        if self.up_ms < s["boot_ms"] + 4 * s["iso_phase_ms"] + 2000:
            return False
        if len(self.beginnings) >= s["ops_max"] or not (out & POWER) and self.off_ms < s["min_dwell_ms"] + 200:
            return False
        if any(self.high[b] < s["made_ms"] + 100 for b in LOOPS[1:]):
            return False
        return max(self.high[START], self.high[RESET]) < s["stuck_button_ms"] - 1000 and self.truth.sound_ms > 6000

    # -- 72 ---------------------------------------------------------------------------------------------

    def contactor(self):
        """72.1 to 72.3."""
        w, s, out = self.w, self.s, self.out
        open_command = not out & MAIN and self.booted and not self.damaged
        held = w.closed and open_command and w.link_fault is None
        self.due("72.1", held and "welded", s["k72_open_ms"] + 100, out & TRIPLAMP)
        contact = self.raw & MAINAUX
        not_closed = out & MAIN and self.was & MAIN and not contact and not w.chatter_scans
        low = abs(w.true_ma) < s["break_ma"]
        if self.falling & MAIN and self.clock.get(("72.2", 0), 0) >= s["k72_close_ms"]:
            self.met["72.2"] += 1
        self.due("72.2", not_closed and "not closed", s["k72_close_ms"] + 40 + (0 if low else s["shed_ms"]), False)
        if contact != self.was_contact and self.was & MAIN:
            self.aux_changes.append(self.t)
        self.was_contact = contact
        while self.aux_changes and self.t - self.aux_changes[0] > 900:
            self.aux_changes.popleft()
        if self.aux_changes:
            chatters = len(self.aux_changes) > s["k72_chatter_n"] and "chatter"
            self.due("72.3", chatters, 40 + s["shed_ms"], not out & MAIN)


def fields(line):
    """Fields of a line as text."""
    return dict([word.split("=", 1) for word in line.partition("*")[0].split(" ")[2:]])


def ceil100(ms):
    """Rounded up to whole rounds of module samples."""
    return -(-ms // 100) * 100

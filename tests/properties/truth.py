"""What is truly the matter in the world, with margins: surely there, surely not there, or neither.

The oracle demands only where a cause is surely there, and excuses wherever one might be.
"""

from statistics import median

from warden.modes import CHARGER, CRASH, ENABLE, ESTOP, INTERLOCK, KEY, PEDAL, POWER, PRE, RESET, SERVICE, START, UNPLUG

LOOPS = UNPLUG | INTERLOCK | ESTOP | CRASH | SERVICE
NEVER = -(10**9)
SCAN_MS = 10

# What may make rows of an element operate.
EXCUSES = {
    "27": ("low", "blind", "step"),
    "59": ("high", "blind"),
    "60": ("away", "blind"),
    "76": ("amps", "sensor"),
    "49": ("hot", "blind"),
    "49C": ("cold", "blind"),
    "27X": ("aux",),
    "64": ("leak", "extreme"),
    "48": ("pre", "contact", "blind", "hand"),
    "72": ("contact", "regen", "hand"),
    "69": ("loop",),
    "M1": ("lead", "extreme", "head"),
    "M2": ("lead", "extreme", "head"),
    "M3": ("lead",),
    "M4": ("sum", "lead", "extreme", "head", "ref"),
    "M5": ("ref",),
    "M6": ("head", "late"),
    "M7": ("sensor", "hand"),
    "M8": ("probe",),
    "M9": ("contact", "sum", "extreme", "lead", "pre"),
    "M10": ("late",),
    "M11": ("damage",),
    "M12": ("button",),
    "74": ("off",),
}
SHORT = {"step": 1500, "hand": 60000, "regen": 2500}


class Truth:
    """Looked at by the oracle after each scan."""

    def __init__(self, world):
        self.w = world
        self.s = s = world.set
        learn = s["rcomp_learn"]
        self.ohm_lo = s["rcomp_uohm"] // 2 if learn else s["rcomp_uohm"]
        self.ohm_hi = s["rcomp_max_uohm"] if learn else s["rcomp_uohm"]
        self.lag_ms = 0 if s["filter_shift"] <= 1 else 300 << s["filter_shift"]
        self.last = {}
        self.t = 0
        self.spent_hi = 0.0
        self.sound_ms = 0
        self.damage = False
        self.lost = set()
        self.ma_was = 0
        self.changed = None
        self.emf_was = list(world.emf_mv)
        self.swing = {}
        self.powered_up()

    def powered_up(self):
        """The relay's own timers begin anew, and its switches count as open until they were made for long enough."""
        self.last["loop"] = self.t
        self.spent_lo = 0.0
        self.mode_t = self.t
        self.ages = {}
        self.up = {}
        self.swing = {}
        self.out = 0

    def mode_changed(self):
        """Rows fall asleep and wake with the mode: what was up may go."""
        self.mode_t = self.t
        for row in self.up:
            self.up[row] = True

    # -- each scan --------------------------------------------------------------------------------------

    def scanned(self, dt, t, late_ms, out):
        """Bring everything up to this scan."""
        w, s, last = self.w, self.s, self.last
        self.t = t
        ma = w.true_ma
        square = (ma / 1000) ** 2 - s["i76_cont_a"] ** 2
        self.spent_hi = max(0.0, self.spent_hi + square * dt / 1000)
        self.spent_lo = max(0.0, self.spent_lo + square * dt / 1000)
        if w.changed != self.changed or ma != self.ma_was:
            if abs(ma - self.ma_was) > 30000 and self.out & ENABLE:  # by the load, not by the opening
                last["step"] = t
            self.look(t)
            self.ma_was = ma
        self.out = out
        low = ~w.board.discretes & LOOPS
        if low:
            last["loop"] = t
        if late_ms:
            last["late"] = t
            self.sound_ms = 0
        if w.board.discretes & (START | RESET):
            last["button"] = t
        self.sound_ms = self.sound_ms + dt if self.sound else 0
        if self.spent_hi > s["i76_a2s"] * 6 // 10:
            last["amps"] = t
        for fault in self.frozen:
            lo, hi, _ = self.swing.get(fault, (ma, ma, False))
            lo, hi = min(lo, ma), max(hi, ma)
            self.swing[fault] = lo, hi, not w.sensor and hi - lo > s["stuck_ma"] * 3 // 2
        if self.causes or self.ages or self.frozen or isinstance(w.sensor, int):
            now = dict(self.causes)
            for fault in self.frozen:
                if self.swing[fault][2]:
                    now[fault] = "m"
            if isinstance(w.sensor, int) and not out & POWER and abs(w.sensor) > s["current_rest_ma"] + 1500:
                now["offset", 0] = "m"
            self.ages = {cause: self.ages.get(cause, 0) + SCAN_MS for cause in now}
        for row, crossed in self.up.items():
            if not crossed:
                self.up[row] = DROPOUTS[row[:2]](self, row[2] - 1)

    def look(self, t):
        """The world was changed: sort out what is the matter."""
        w, s = self.w, self.s
        for name in getattr(self, "present", ()):
            self.last[name] = t
        if w.emf_mv != self.emf_was:
            self.last["hand"] = t
            self.emf_was = list(w.emf_mv)
        if w.true_ma < -100000:
            self.last["regen"] = t  # the link, charged above the string, takes longer to bleed below it
        self.changed = w.changed
        mv, ma = w.mv, w.true_ma
        self.faults = w.faults()
        self.median = median(mv)
        self.low_mv, self.high_mv = min(mv), max(mv)
        self.is_trusted = [w.trusted(k) for k in range(w.n)] if self.faults else [True] * w.n
        kinds = {f for f, _ in self.faults}
        temps = [w.temp_c[b] for b in range(w.boxes)]
        p = {"lead"} if kinds & {"open", "short", "swap", "low", "frozen"} else set()
        p |= kinds & {"head", "ref", "probe", "sensor", "sum"}
        if self.faults or w.link_fault:
            p.add("blind")
        sag = ma * (self.ohm_lo if ma > 0 else self.ohm_hi) // 1000000
        if self.low_mv + sag <= s["v27_pickup_mv"] + 100 or self.low_mv <= s["v27_floor_mv"] + 100:
            p.add("low")
        if self.high_mv >= self.v59(max(temps)) - 150 or self.high_mv >= s["v59_high_mv"] - 150:
            p.add("high")
        if max(self.high_mv - self.median, self.median - self.low_mv) >= s["v60_pickup_mv"] - 100:
            p.add("away")
        if abs(ma) >= s["i76_inst_ma"] - 3000:
            p.add("amps")
        if max(temps) * 10 >= s["t49_alarm_dc"] - 10:
            p.add("hot")
        if min(temps) * 10 <= s["t49_cold_dc"] + 10:
            p.add("cold")
        if w.aux_mv <= s["aux_alarm_mv"] + 60:
            p.add("aux")
        if w.leak and self.ohm_per_v() <= s["iso_alarm_ohmv"] * 1.4:
            p.add("leak")
        if w.precharge_ms != 220 or w.link_fault:
            p.add("pre")
        if w.main_stuck or not w.main_works or w.chatter_scans or w.contact_says is not None or w.link_fault:
            p.add("contact")
        if self.low_mv < 4000 or self.high_mv > 17500:
            p.add("extreme")
        # What was there stays there until it is beyond the dropout: a row that has picked up runs on between the two.
        was = getattr(self, "present", set())
        far = max(self.high_mv - self.median, self.median - self.low_mv)
        between = {
            "low": self.low_mv + sag <= s["v27_dropout_mv"] + 100,
            "high": self.high_mv >= self.v59(max(temps)) - s["v59_pickup_mv"] + s["v59_dropout_mv"] - 150
            or self.high_mv >= s["v59_high_dropout_mv"] - 150,
            "away": far >= s["v60_dropout_mv"] - 100,
            "hot": max(temps) * 10 >= s["t49_alarm_dropout_dc"] - 10,
            "cold": min(temps) * 10 <= s["t49_cold_dropout_dc"] + 10,
            "aux": w.aux_mv <= s["aux_alarm_dropout_mv"] + 60,
            "leak": bool(w.leak) and self.ohm_per_v() <= s["iso_alarm_dropout_ohmv"] * 1.4,
        }
        p |= {name for name, still in between.items() if still and name in was}
        if self.damage:
            p.add("damage")
        if not all(s[e] for e in ("e27_on", "e59_on", "e60_on", "e76_time_on", "e49_on", "e27x_on", "e64_on")):
            p.add("off")
        self.present = p
        calm = min(w.emf_mv) > 12300 and max(w.emf_mv) < 12900 and max(w.ohm_u) <= 6000
        mild = min(temps) > s["t49_cold_dropout_dc"] // 10 + 2 and max(temps) < s["t49_alarm_dropout_dc"] // 10 - 2
        self.sound = calm and mild and not p - {"off", "low", "away"} and w.aux_mv > 12400 and not w.leak and (
            abs(ma) < 250000 and not w.deaf)  # fmt: skip
        self.frozen = [f for f in self.faults if f[0] == "frozen" and not w.absent >> w.box_of[f[1]] & 1]
        self.causes = self.sure(temps)

    def sure(self, temps):
        """Causes surely there (cause -> kind of deadline)."""
        w, s = self.w, self.s
        sure = {}
        for fault in self.faults:
            kind, k = fault
            if kind in ("open", "short", "swap", "low"):
                b = w.box_of[k]
                near = [j for j in range(w.n) if w.box_of[j] == b]
                if w.absent >> b & 1 or min(w.mv[j] for j in near) < 8500:
                    continue
                if sum(w.lead[j] is not None for j in near) > 1:
                    continue
                if kind == "swap" and w.last_of_box(k) or kind == "low" and w.first_of_box(k):
                    continue
                sure[fault] = "m"
            elif kind == "head":
                sure[fault] = "stale"
            elif kind in ("ref", "probe"):
                if not w.absent >> k & 1 and not (kind == "probe" and w.ref_off[k]):
                    if kind == "probe" or abs(w.ref_off[k]) >= s["ref_band_permille"] + 5:
                        sure[fault] = "m"
            elif kind == "sensor" and w.sensor in ("high", "low"):
                sure[fault] = "m"
            elif kind == "sum" and abs(w.string_off_mv) > s["sum_band_mv"] + 1000:
                if not any(w.lead) and not w.absent and min(w.mv) > 0:
                    sure[fault] = "m"
        if s["e27x_on"] and w.aux_mv <= s["aux_trip_mv"] - 60:
            sure["aux", 0] = "aux"
        for b in range(w.boxes):
            if not (w.probe[b] or w.absent >> b & 1 or w.ref_off[b]) and s["e49_on"]:
                if temps[b] * 10 >= s["t49_trip_dc"] + 15:
                    sure["hot", b] = "t49"
                if temps[b] * 10 >= s["t49_alarm_dc"] + 15:
                    sure["warm", b] = "t49"
                if temps[b] * 10 <= s["t49_cold_dc"] - 15:
                    sure["cold", b] = "t49"
        if s["e64_on"] and w.leak and self.ohm_per_v() <= s["iso_trip_ohmv"] * 0.8:
            sure["leak", 0] = "leak"
        if s["e27_on"]:
            for k in range(w.n):
                if w.mv[k] <= s["v27_pickup_mv"] - 400 and self.is_trusted[k]:
                    sure["flat", k] = "flat"
        return sure

    def after_ms(self, kind):
        """How long a cause of this kind may take to be acted on by a stage that only forbids."""
        s = self.s
        return {
            "m": s["m_alarm_ms"] + 300, "stale": s["stale_ms"] + 500, "aux": s["aux_trip_ms"] + 100,
            "t49": s["t49_delay_ms"] + 500, "leak": 4 * s["iso_phase_ms"] + s["iso_delay_ms"] + 1000,
            "flat": s["v27_derate_ms"] + 500 + self.lag_ms,
        }[kind]  # fmt: skip

    # -- excuses ----------------------------------------------------------------------------------------

    def excuse(self, row):
        """Something that might make this row operate was there just now."""
        if self.damage:
            return "damage"
        for name in EXCUSES[row[0]]:
            if name in self.present or self.t - self.last.get(name, NEVER) < SHORT.get(name, 3000 + self.lag_ms):
                return name
        return None

    def restless(self):
        """The world moves by itself."""
        return self.w.chatter_scans or self.t - self.last.get("late", NEVER) < 10000 or self.frozen

    def row(self, row, on):
        """A row was told on or off."""
        if on and row[:2] in DROPOUTS:
            self.up[row] = self.t - self.mode_t < 2000  # told late, it may have slept since
        else:
            self.up.pop(row, None)

    def has_dropout(self, row):
        """It is a row whose release the oracle can judge."""
        return row[:2] in DROPOUTS

    def may_release(self, row):
        """Its quantity was truly beyond the dropout since it operated, or the mode changed."""
        return self.up.get(row, True)

    def misread_low(self):
        """More than one thing is wrong with what measures the string: nobody can tell."""
        return len(self.faults) > 1 or self.w.link_fault == "frozen"

    def blind(self):
        """Some measurement is not to be believed."""
        return bool(self.faults) or self.w.link_fault is not None or self.w.main_stuck

    def immediate(self, low):
        """There may be a cause that does not wait for the current."""
        lost = low[ESTOP] or low[CRASH] or low[SERVICE]
        return lost or abs(self.w.true_ma) >= self.s["i76_inst_ma"] - 3000 or self.w.sensor or self.damage

    def note_lost(self, name):
        """A loop was lost for long enough to count."""
        self.lost.add(name)

    def lost_lately(self, name):
        """And has not been whole for clear_ms."""
        return name in self.lost

    # -- what must be acted on --------------------------------------------------------------------------

    def v59(self, temp_c):
        """Pickup of the time stage at this temperature."""
        return self.s["v59_pickup_mv"] + self.s["v59_tempco_mv"] * (temp_c - 25)

    def ohm_per_v(self):
        """True isolation: both leaks together, for each volt of string."""
        pos, neg = self.w.leak
        return 1000000 / (1 / pos + 1 / neg) / max(1000, sum(self.w.mv))

    def comp_hi(self, k):
        """Most that any allowed compensation makes of module k."""
        ma = self.w.true_ma
        return self.w.mv[k] + (ma * self.ohm_hi // 1000000 if ma > 0 else 0)

    def under_floor(self, path, running=()):
        """Modules surely under the floor -> what their place allows more; a head that falls silent stops no clock."""
        floor = self.s["v27_floor_mv"] - 150
        if not path or self.low_mv > floor or not self.s["e27_on"]:
            return {}
        w = self.w
        found = [
            k for k in range(w.n)
            if w.mv[k] <= floor and (self.is_trusted[k] or k in running and w.absent >> w.box_of[k] & 1)
        ]  # fmt: skip
        # The first lead of a box reads alike open and on a module at nothing: a round more, to hear its neighbour.
        return {k: 100 if w.first_of_box(k) and w.mv[k] < 700 else 0 for k in found}

    def under_time(self, path):
        """Modules surely under the time stage, whatever resistance was learnt."""
        low = self.s["v27_pickup_mv"] - 600
        if not path or self.low_mv > low or self.w.sensor is not None or not self.s["e27_on"]:
            return []
        return [k for k in range(self.w.n) if self.is_trusted[k] and self.comp_hi(k) <= low]

    def sags_in_health(self, path):
        """Low by the load alone, and by much."""
        return bool(path and self.low_mv < self.s["v27_pickup_mv"] - 200 and not self.present & {"low", "blind"})

    def derating(self, out):
        """Causes that must bring the limit down -> after how long, ms."""
        if not out & ENABLE:
            return {}
        s = self.s
        found = {("27", k): s["v27_derate_ms"] + 400 + self.lag_ms for k in self.under_time(True)}
        for cause in self.ages:
            kind = self.causes.get(cause, "m")
            if kind in ("m", "stale", "leak") or cause[0] == "warm":
                found[cause] = self.after_ms(kind)
        return found

    def over_high(self):
        """A module surely above the high stage."""
        # Above range_high it is a reading that no module can have, and M2 has its time.
        high, most = self.s["v59_high_mv"] + 150, self.s["range_high_mv"] - 300
        if self.high_mv < high or not self.s["e59_on"]:
            return False
        return any(high <= v < most and ok for v, ok in zip(self.w.mv, self.is_trusted))

    def over_time(self):
        """A module surely above the time stage."""
        w = self.w
        if self.high_mv < 14000 or not self.s["e59_on"]:
            return False
        for k, v in enumerate(w.mv):
            b = w.box_of[k]
            if self.is_trusted[k] and not w.probe[b] and v >= self.v59(w.temp_c[b]) + 500:
                return True
        return False

    def away(self):
        """A module surely away from the others."""
        if self.faults or self.w.n < 3 or not self.s["e60_on"]:
            return False
        far = max(self.high_mv - self.median, self.median - self.low_mv)
        return far > self.s["v60_pickup_mv"] + self.s["v60_slope_uohm"] * abs(self.w.true_ma) // 1000000 + 250

    def beyond_inst(self):
        """Current surely beyond the instantaneous stage."""
        return not self.w.sensor and abs(self.w.true_ma) >= self.s["i76_inst_ma"] + 3000

    def spent(self, percent):
        """The I2t above the continuous current is surely spent."""
        limit = self.s["i76_a2s"] * percent // 100
        return self.spent_lo > limit and not self.w.sensor and self.s["e76_time_on"]

    def hot_but_allowed(self):
        """A good part of the I2t is used, not all."""
        return self.s["i76_a2s"] * 0.2 < self.spent_hi < self.s["i76_a2s"] * 0.6

    def aux_below(self, name):
        """Aux supply surely below this setting."""
        return self.s["e27x_on"] and self.w.aux_mv <= self.s[name] - 60

    def hot(self):
        """A box surely above the trip."""
        return any(c[0] == "hot" for c in self.causes)

    def cold(self):
        """A box surely too cold to charge."""
        return any(c[0] == "cold" for c in self.causes)

    def leaky(self):
        """Isolation surely lost."""
        return ("leak", 0) in self.causes

    def untrusted(self):
        """Measurement faults surely there -> stale or m."""
        return {c: self.causes.get(c, "m") for c in self.ages if self.causes.get(c, "m") in ("m", "stale")}

    def live(self):
        """A cause of a trip that has surely been seen for long enough to have operated in lockout."""
        s = self.s
        trip_ms = {"m": s["m_trip_ms"] + 500, "stale": s["m_trip_ms"] + s["stale_ms"] + 500}
        for cause, age in self.ages.items():
            kind = self.causes.get(cause, "m")
            if cause[0] in ("cold", "warm", "flat", "offset"):
                continue
            if age > trip_ms.get(kind, self.after_ms(kind)):
                return cause
        if self.w.closed and self.w.main_stuck and self.t - self.last.get("hand", NEVER) > 1500:
            return "welded"
        if self.t - self.last.get("hand", NEVER) > 1500 and (self.over_high() or self.under_floor(True)):
            return "module"
        return None

    def forbids(self, begins):
        """(rule, cause) that forbid this beginning."""
        found = []
        for cause, age in self.ages.items():
            kind = self.causes.get(cause, "m")
            if age < self.after_ms(kind):
                continue
            if kind in ("m", "stale") and not (cause[0] == "probe" and begins & PRE):
                found.append(("6.3", cause))
            elif kind == "aux":
                found.append(("27X.2", cause))
            elif kind == "leak":
                found.append(("64.2", cause))
            elif cause[0] == "cold" and begins & CHARGER:
                found.append(("49.2", cause))
            elif kind == "flat" and begins & PRE:
                found.append(("5.4", cause))
        return found

    def wanted_but_forbidden(self, high, low):
        """Rules that stand between a driver who asks and a beginning."""
        if not self.ages:
            return ()
        start = min(high[KEY], high[START], high[PEDAL], high[UNPLUG]) > 300
        plug = low[UNPLUG] > 400 and low[KEY] > 400
        return {n for n, _ in self.forbids(PRE if start else CHARGER)} if start or plug else ()


def _comp(truth, k, dropout):
    return truth.comp_hi(k) >= truth.s[dropout] - 150


def _box_leads_whole(truth, k):
    w = truth.w
    return not any(w.lead[j] for j in range(w.n) if w.box_of[j] == w.box_of[k]) or w.mv[k] < 8500


def _aux(dropout):
    return lambda t, _: t.w.aux_mv >= t.s[dropout] - 40


def _temp(dropout, side):
    return lambda t, b: (t.w.temp_c[b] * 10 - t.s[dropout]) * side <= 5


def _iso(dropout):
    return lambda t, _: not t.w.leak or t.ohm_per_v() >= t.s[dropout] * 0.9


# element, stage -> the quantity of place k is truly beyond the dropout.
DROPOUTS = {
    ("27", "derate"): lambda t, k: _comp(t, k, "v27_dropout_mv"),
    ("27", "time"): lambda t, k: _comp(t, k, "v27_dropout_mv"),
    ("27", "floor"): lambda t, k: t.w.mv[k] >= t.s["v27_floor_dropout_mv"] - 50,
    ("27", "rest"): lambda t, k: t.w.mv[k] >= t.s["v27_dropout_mv"] - 60,
    ("59", "high"): lambda t, k: t.w.mv[k] <= t.s["v59_high_dropout_mv"] + 60,
    # Across a load step a module is compared with the median of the round before: its alarm may flicker.
    ("60", "alarm"): lambda t, k: t.low_mv < 500 or t.faults or t.t - t.last.get("step", NEVER) < 500 or (
        abs(t.w.mv[k] - t.median) <= t.s["v60_dropout_mv"] + 60 + abs(t.w.true_ma) // 1000
    ),
    ("49", "alarm"): _temp("t49_alarm_dropout_dc", 1),
    ("49", "trip"): _temp("t49_trip_dropout_dc", 1),
    ("49C", "cold"): _temp("t49_cold_dropout_dc", -1),
    ("27X", "alarm"): _aux("aux_alarm_dropout_mv"),
    ("27X", "block"): _aux("aux_trip_dropout_mv"),
    ("27X", "trip"): _aux("aux_trip_dropout_mv"),
    ("64", "alarm"): _iso("iso_alarm_dropout_ohmv"),
    ("64", "block"): _iso("iso_trip_dropout_ohmv"),
    ("76", "inst"): lambda t, _: abs(t.w.true_ma) <= t.s["i76_inst_dropout_ma"] + 1000 or t.w.sensor,
    ("M1", "alarm"): _box_leads_whole,
    ("M1", "trip"): _box_leads_whole,
    ("M4", "alarm"): lambda t, _: abs(t.w.string_off_mv) <= t.s["sum_dropout_mv"] + 200 or t.present & {"lead", "head"},
    ("M5", "alarm"): lambda t, b: abs(t.w.ref_off[b]) <= t.s["ref_dropout_permille"] + 1,
    ("M6", "alarm"): lambda t, b: not t.w.absent >> b & 1,
    ("M8", "alarm"): lambda t, b: t.w.probe[b] is None,
}

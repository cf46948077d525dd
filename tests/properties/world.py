"""The rig grown into a world: cells with resistance, a controller, a charger, and every fault that a bench can make.

Nothing here knows how the relay decides.  What is true (`mv`, `true_ma`, `temp_c`, `leak`, `closed`) stays apart from
what the sensors are made to say, so that an oracle can hold the relay against the truth.
"""

from collections import deque
from functools import cache
from math import exp

from rig import Rig, pack_of

from packwarden.plant.sensors import ntc_ohm
from warden import settings
from warden.modes import CHARGER, ENABLE, MAIN, MAINAUX, PRE, UNPLUG

FULL_MV = 12650
WRAP = 1 << 30
HEALTHY_OHM_U = 5000


@cache
def probe_counts(temp_c):
    """What a box's probe gives at this temperature: a thermistor over 10 kohm."""
    ohm = ntc_ohm(temp_c)
    return int(65536 * ohm / (ohm + 10000))


class World(Rig):
    """`changes` are settings; `n` modules, up to four in a box, unless it is the twelve of the demo pack."""

    def __init__(self, n=12, wrap_in_ms=4000, **changes):
        changes = dict({} if n == 12 else pack_of(n), **changes)
        changes.setdefault("link_dead_mv", max(5000, min(60000, n * 5000)))
        self.changes = changes
        super().__init__(**changes)
        values = settings.defaults()
        for key, value in changes.items():
            values[settings.index_of(key.replace("__", "."))] = value
        self.set = {row[0]: values[settings.index_of(row[0])] for row in settings.TABLE if row[1] == 1}
        boxes = [values[settings.index_of("box_modules.%d" % b)] for b in range(6)]
        self.box_of = [b for b, count in enumerate(boxes) for _ in range(count)]
        self.n = n
        self.boxes = self.box_of[-1] + 1
        self.now = (WRAP - wrap_in_ms) % WRAP
        self.heard = deque(maxlen=60)  # lines worth telling
        self.said = []  # lines of this scan
        self.true_ma = 0
        self.closed = False
        self.scans = 0
        self.mend()

    # -- how things are ---------------------------------------------------------------------------------

    def mend(self):
        """Everything whole again; switches as they are."""
        self.emf_mv = [FULL_MV] * self.n
        self.ohm_u = [HEALTHY_OHM_U] * self.n
        self.lead = [None] * self.n  # open, short, swap, low, frozen
        self.temp_c = [25] * 6
        self.probe = [None] * 6  # open, short
        self.ref_off = [0] * 6
        self.absent = 0
        self.sensor = None  # high, low, dead, or an offset in mA
        self.string_off_mv = 0
        self.leak = None
        self.iso = None
        self.aux_mv = 12900
        self.main_stuck = False
        self.main_works = True
        self.chatter_scans = 0
        self.contact_says = None
        self.link_fault = None  # shorted, frozen
        self.precharge_ms = 220
        self.deaf = False
        self.load_ma = 0
        self.charge_ma = 13000
        self.touch()

    def touch(self):
        """Something in the world was changed by hand."""
        self.changed = self.scans
        self.tap_open = [f == "open" for f in self.lead]
        self.odd_leads = [k for k, f in enumerate(self.lead) if f and f != "open"]
        self.frozen_at = {k: v for k, v in getattr(self, "frozen_at", {}).items() if self.lead[k] == "frozen"}
        self.iso = self.leak
        for b in range(6):
            self.temp_counts[b] = {"open": 65500, "short": 100}.get(self.probe[b]) or probe_counts(self.temp_c[b])
            self.ref_counts[b] = 32768 + self.ref_off[b] * 32768 // 1000
        self.mv_at = None

    def first_of_box(self, k):
        return k == 0 or self.box_of[k] != self.box_of[k - 1]

    def last_of_box(self, k):
        return k == self.n - 1 or self.box_of[k] != self.box_of[k + 1]

    def trusted(self, k):
        """True when nothing is wrong with what measures module k."""
        b = self.box_of[k]
        if self.absent >> b & 1 or self.ref_off[b] or self.lead[k] or (k and self.lead[k - 1] == "swap"):
            return False
        near = [j for j in (k - 2, k - 1) if j >= 0 and self.box_of[j] == b]
        return not any(self.lead[j] for j in near)

    def faults(self):
        """Names of the measurement faults that are there, with place."""
        found = [(f, k) for k, f in enumerate(self.lead) if f]
        for b in range(self.boxes):
            if self.absent >> b & 1:
                found.append(("head", b))
            if self.probe[b]:
                found.append(("probe", b))
            if self.ref_off[b]:
                found.append(("ref", b))
        if self.sensor:
            found.append(("sensor", 0))
        if self.string_off_mv:
            found.append(("sum", 0))
        return found

    # -- one scan ---------------------------------------------------------------------------------------

    def world(self):
        board, out = self.board, self.board.out_bits
        self.scans += 1
        if self.chatter_scans:
            self.main_works = self.scans // self.chatter_scans % 2 == 0
        self.closed = bool(self.main_stuck or (out & MAIN and self.main_works))
        ma = 0
        if self.closed:
            if out & ENABLE or self.deaf:
                ma = self.load_ma
        elif out & CHARGER and not self.inputs & UNPLUG:
            ma = -self.charge_ma
        self.true_ma = ma
        if ma != self.mv_at:
            self.mv = [e - ma * r // 1000000 for e, r in zip(self.emf_mv, self.ohm_u)]
            self.mv_at = ma
        self.ma = ma
        super().world()
        counts = board.counts
        if self.odd_leads:
            self._leads(counts)
        if self.sensor is not None:
            at = {"high": 65535, "low": 0, "dead": 32768}.get(self.sensor)
            counts[50] = 32768 + (ma + self.sensor) // 16 if at is None else at
        if self.link_fault == "shorted":
            self.link_mv = counts[49] = 0
        elif self.link_fault == "frozen":
            counts[49] = self.link_held
        else:
            self.link_held = counts[49]
        if self.contact_says is not None:
            board.discretes = self.inputs | MAINAUX if self.contact_says else self.inputs & ~MAINAUX

    def _leads(self, counts):
        for k in self.odd_leads:
            fault = self.lead[k]
            above = not self.last_of_box(k)
            if fault == "short":
                counts[k] = counts[24 + k]
            elif fault == "low":
                counts[24 + k] = 0
                continue
            elif fault == "frozen":
                counts[k] = self.frozen_at.setdefault(k, counts[k])
            elif fault == "swap" and above:
                counts[k], counts[k + 1] = counts[k + 1], counts[k]
                if not self.last_of_box(k + 1):
                    counts[24 + k + 2] = counts[k + 1]
            if above:
                counts[24 + k + 1] = counts[k]

    def scan(self, late_ms=0, stopped=False):
        """One scan, then what the main loop does after it; `stopped` leaves the clock where it is."""
        if late_ms > 0 and not self.closed:  # the link went its way meanwhile
            whole = sum(self.mv) if self.board.out_bits & PRE else 0
            tau_ms = self.precharge_ms if self.board.out_bits & PRE else 8000
            self.link_mv = int(whole + (self.link_mv - whole) * exp(-late_ms / tau_ms))
        self.world()
        if not stopped:
            self.now = (self.now + self.step_ms + late_ms) % WRAP
        self.relay.scan(self.now)
        self.relay.serve()
        self.relay.idle()
        raw = self.board.take_lines(self.relay.outbox)
        self.said = raw.decode("ascii").split("\n")[:-1] if raw else ()
        for line in self.said:
            if line[:4] not in ("meas", "mods", "coun", "stat", "sett", "fiel", "prio"):
                self.heard.append((self.scans, line))

    def send(self, text):
        """A command; kept among what was heard, for the story of a violation."""
        self.heard.append((self.scans, "> " + text))
        super().send(text)


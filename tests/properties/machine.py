"""Random hands, faults, time, power and commands: a hypothesis state machine over a course.

Whatever it does is written down as a history, so that what hypothesis shrinks can be played again without hypothesis.
"""

from collections import Counter

from course import Course
from hypothesis import assume
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule
from oracle import Violation

from warden import settings
from warden.modes import CHARGER, MAIN, POWER, TRIPLAMP

# Settings that a course may start with, and how far they may go: within their bounds, and in any order that is allowed.
SPREAD = {
    "lost_fast_ms": (0, 20), "lost_ms": (0, 100), "made_ms": (20, 500), "start_hold_ms": (20, 500),
    "reset_hold_ms": (200, 3000), "boot_ms": (100, 1500), "min_dwell_ms": (50, 3000), "shed_ms": (20, 300),
    "break_ma": (1000, 100000), "unplug_hold_ms": (1000, 6000), "ops_max": (1, 10), "ops_window_ms": (5000, 120000),
    "clear_ms": (100, 5000), "derate_permille": (0, 900), "limit_up_permille_s": (10, 2000),
    "limit_down_permille_s": (100, 20000), "late_ms": (5, 100), "late_trip_ms": (110, 1000), "m_alarm_ms": (300, 2000),
    "m_trip_ms": (2500, 12000), "stale_ms": (250, 1500), "v27_floor_ms": (10, 500), "v27_derate_ms": (100, 2000),
    "v27_delay_ms": (2000, 8000), "v59_high_ms": (10, 1000), "v59_delay_ms": (1000, 12000), "v60_delay_ms": (500, 9000),
    "i76_inst_ms": (0, 50), "i76_a2s": (30000, 800000), "t49_delay_ms": (500, 6000), "iso_delay_ms": (0, 2000),
    "aux_trip_ms": (10, 300), "aux_alarm_ms": (100, 4000), "k72_close_ms": (60, 400), "k72_open_ms": (600, 1500),
    "filter_shift": (0, 3), "rcomp_learn": (0, 1), "iso_phase_ms": (200, 1500), "stuck_button_ms": (8000, 60000),
    "rcomp_uohm": (2000, 8000), "v27_floor_mv": (6000, 8500), "v60_pickup_mv": (450, 1500),
}  # fmt: skip
MS = st.sampled_from([20, 50, 150, 500, 1500])
LONG_MS = st.sampled_from([50, 500, 1500, 5000, 11000])
PLACE = st.integers(0, 23)
BOX = st.integers(0, 5)
LOOP = st.sampled_from(["unplug", "interlock", "estop", "crash", "service"])
ANY_INPUT = st.sampled_from(["key", "start", "unplug", "interlock", "estop", "crash", "service", "reset", "pedal"])
AMPS = st.sampled_from([0, 5, 15, 25, 60, 120, 200, 300, 350, 400, 430, 447, 455, 480, -15, -60, -100, -447, -470])
SAID = st.sampled_from([
    "who", "list what=fields", "list what=settings", "list what=trips", "get name=n_modules", "get name=reset_code",
    "set name=v27_floor_mv value=300", "set name=e27_on value=0", "forget", "clear code=0", "close name=main",
    "open", "apply digest=0", "apply digest=ffff", "set name=v60_pickup_mv value=x", "reset", "start", "who who",
])  # fmt: skip
THINGS = st.one_of(
    st.tuples(st.just("sensor"), st.sampled_from([None, "high", "low", "dead", 2000, 9000, -9000])),
    st.tuples(st.just("string_off_mv"), st.sampled_from([0, 3300, 6500, -6500, -60000])),
    st.tuples(st.just("leak"), st.sampled_from([None, [5, 100000], [100000, 8], [40, 100000], [20, 20], [90, 100000]])),
    st.tuples(st.just("aux_mv"), st.sampled_from([12900, 11800, 11400, 10000, 8900, 6000])),
    st.tuples(st.just("main_stuck"), st.booleans()),
    st.tuples(st.just("main_works"), st.booleans()),
    st.tuples(st.just("chatter_scans"), st.sampled_from([0, 2, 5, 12, 40])),
    st.tuples(st.just("contact_says"), st.sampled_from([None, True, False])),
    st.tuples(st.just("link_fault"), st.sampled_from([None, "shorted", "frozen"])),
    st.tuples(st.just("precharge_ms"), st.sampled_from([220, 12, 60, 200, 240, 300, 380, 1200, 10**9])),
    st.tuples(st.just("deaf"), st.booleans()),
)


@st.composite
def setups(draw):
    """Modules, the moment of the wrap, and a few settings away from their defaults."""
    setup = {"n": draw(st.sampled_from([12, 12, 12, 12, 1, 2, 5, 9, 24])), "wrap_in_ms": draw(st.integers(1, 40000))}
    names = draw(st.lists(st.sampled_from(sorted(SPREAD)), max_size=8, unique=True))
    for name in names:
        setup[name] = draw(st.integers(*SPREAD[name]))
    if "v27_floor_mv" in setup:
        setup["v27_floor_dropout_mv"] = setup["v27_floor_mv"] + 1000
    return setup


class Watched:
    """What a run has really done, over all its courses."""

    def __init__(self):
        self.met, self.modes, self.transitions, self.operated = Counter(), Counter(), Counter(), Counter()
        self.acts = Counter()
        self.steps = self.scans = self.courses = 0
        self.failed = None  # (violation, history as text) of the last that broke: after shrinking, the shortest

    def take(self, course):
        """Add one course."""
        self.transitions += course.transitions
        self.operated += course.operated
        self.acts.update(step[0] for step in course.history)
        self.steps += course.steps
        self.scans += course.scans
        self.courses += 1


class Machine(RuleBasedStateMachine):
    """Acts by rules.  `watched` is replaced by who runs it."""

    watched = Watched()

    def __init__(self):
        super().__init__()
        self.course = None

    @initialize(setup=setups())
    def power_up(self, setup):
        try:
            self.course = Course(met=self.watched.met, modes_seen=self.watched.modes, **setup)
        except settings.SettingError:
            assume(False)
        self.do("wait", 700)

    def do(self, act, *args):
        try:
            self.course.do(act, *args)
        except Violation as broken:
            type(self).watched.failed = (broken, self.course.written())
            raise

    def teardown(self):
        if self.course is not None:
            self.watched.take(self.course)

    @property
    def out(self):
        return self.course.world.board.out_bits

    # -- courses: more often than chance would -----------------------------------------------------------

    @precondition(lambda self: not self.out & (POWER | TRIPLAMP))
    @rule(amps=AMPS, ms=MS)
    def start(self, amps, ms):
        self.do("start")
        if self.out & MAIN:
            self.do("load", amps * 1000, ms)

    @precondition(lambda self: not self.out & POWER)
    @rule()
    def recover_and_start(self):
        self.do("recover")
        self.do("start")

    @precondition(lambda self: not self.out & POWER)
    @rule()
    def recover_and_charge(self):
        self.do("recover")
        self.do("plug")

    @precondition(lambda self: self.out & MAIN)
    @rule(amps=AMPS, ms=LONG_MS)
    def load(self, amps, ms):
        self.do("load", amps * 1000, ms)

    @precondition(lambda self: self.out & MAIN)
    @rule(amps=AMPS, on_ms=st.sampled_from([20, 50, 150, 400, 900]), times=st.integers(2, 9))
    def pulse(self, amps, on_ms, times):
        self.do("pulse", amps * 1000, on_ms, times)

    @precondition(lambda self: not self.out & TRIPLAMP)
    @rule()
    def stop(self):
        self.do("stop")

    @precondition(lambda self: not self.out & MAIN)
    @rule(ms=st.sampled_from([300, 3000, 8000]))
    def plug(self, ms):
        self.do("plug", ms)

    @precondition(lambda self: self.out & CHARGER)
    @rule()
    def unplug(self):
        self.do("unplug")

    @precondition(lambda self: self.out & TRIPLAMP)
    @rule(ms=st.sampled_from([300, 1300, 3300]))
    def reset(self, ms):
        self.do("reset", ms)

    @rule()
    def heal(self):
        self.do("heal")

    @rule(ms=LONG_MS)
    def wait(self, ms):
        self.do("wait", ms)

    # -- hands ------------------------------------------------------------------------------------------

    @precondition(lambda self: not self.out & TRIPLAMP)
    @rule(name=LOOP, ms=MS)
    def lose(self, name, ms):
        self.do("input", name, 0, ms)

    @rule(name=ANY_INPUT, on=st.integers(0, 1), ms=LONG_MS)
    def switch(self, name, on, ms):
        self.do("input", name, on, ms)

    @rule(name=ANY_INPUT, scans=st.lists(st.integers(1, 6), min_size=1, max_size=6))
    def bounce(self, name, scans):
        self.do("bounce", name, scans)

    # -- the pack ---------------------------------------------------------------------------------------

    @precondition(lambda self: not self.out & TRIPLAMP)
    @rule(k=PLACE, emf=st.sampled_from([12650, 12200, 11700, 10900, 10200, 9700, 8700, 7500, 3000, 200, 0, -3000]),
          ohm=st.sampled_from([5000, 3000, 9000, 20000]), ms=LONG_MS)  # fmt: skip
    def cell(self, k, emf, ohm, ms):
        self.do("cell", k, emf, ohm, ms)

    @precondition(lambda self: self.out & CHARGER)
    @rule(k=PLACE, emf=st.sampled_from([14300, 14700, 15100, 15700, 16000, 16400, 17200, 19000]), ms=LONG_MS)
    def full(self, k, emf, ms):
        self.do("cell", k, emf, 5000, ms)

    @precondition(lambda self: not self.out & TRIPLAMP)
    @rule(emf=st.sampled_from([12650, 12900, 12000, 11000]), ohm=st.sampled_from([5000, 3000, 8000, 14000]), ms=MS)
    def cells(self, emf, ohm, ms):
        self.do("cells", emf, ohm, ms)

    @precondition(lambda self: not self.out & TRIPLAMP)
    @rule(b=BOX, temp=st.sampled_from([25, 43, 47, 52, 60, 80, 10, 1, -8, -30]), ms=LONG_MS)
    def box(self, b, temp, ms):
        self.do("temp", b, temp, ms)

    # -- what measures ----------------------------------------------------------------------------------

    @precondition(lambda self: not self.out & TRIPLAMP)
    @rule(k=PLACE, fault=st.sampled_from([None, "open", "short", "swap", "low", "frozen"]), ms=LONG_MS)
    def lead(self, k, fault, ms):
        self.do("lead", k, fault, ms)

    @precondition(lambda self: not self.out & TRIPLAMP)
    @rule(b=BOX, silent=st.integers(0, 1), ms=LONG_MS)
    def head(self, b, silent, ms):
        self.do("head", b, silent, ms)

    @precondition(lambda self: not self.out & TRIPLAMP)
    @rule(b=BOX, fault=st.sampled_from([None, "open", "short"]), ms=LONG_MS)
    def probe(self, b, fault, ms):
        self.do("probe", b, fault, ms)

    @precondition(lambda self: not self.out & TRIPLAMP)
    @rule(b=BOX, permille=st.sampled_from([0, 11, 40, -80]), ms=LONG_MS)
    def ref(self, b, permille, ms):
        self.do("ref", b, permille, ms)

    @rule(thing=THINGS, ms=LONG_MS)
    def thing(self, thing, ms):
        self.do("thing", *thing, ms)

    # -- time, power, memory, wire ----------------------------------------------------------------------

    @rule(ms=st.sampled_from([1, 5, 20, 60, 250, 400, 1500, 30000, -5000]), times=st.integers(1, 4))
    def late(self, ms, times):
        self.do("late", ms, times)

    @rule(scans=st.integers(1, 60))
    def stall(self, scans):
        self.do("stall", scans)

    @rule(ms=st.sampled_from([10, 200, 2500]))
    def power(self, ms):
        self.do("power", ms)

    @rule(at=st.integers(0, 8000))
    def flip_bit(self, at):
        self.do("flip_bit", at)

    @rule(text=SAID)
    def say(self, text):
        self.do("say", text)

    @rule(text=st.text(st.characters(min_codepoint=1, max_codepoint=255), max_size=60))
    def garbage(self, text):
        self.do("bytes", text)

    @rule(mv=st.integers(500, 900))
    def change_a_setting(self, mv):
        self.do("set", "v60_pickup_mv", mv)

    @rule(right=st.booleans())
    def clear(self, right):
        self.do("clear", right)

    @precondition(lambda self: self.out & TRIPLAMP)
    @rule()
    def read_the_journal(self):
        self.do("trips")

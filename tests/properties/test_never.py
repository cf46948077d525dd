"""What must never be, whatever is done: random hands, faults, power cuts, late scans and commands against the rules.

The rules are written from docs/protection.md and not from the tables.  Every mode must really have been visited, or the
run proves nothing.
"""

from collections import Counter

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from rig import CRASH, ESTOP, INTERLOCK, KEY, MAIN, PEDAL, SERVICE, START, UNPLUG, Rig
from rig import RESET_BIT as RESET

from warden.modes import CHARGER, ENABLE, PRE

VISITED = Counter()

BITS = st.sampled_from([KEY, START, UNPLUG, INTERLOCK, ESTOP, CRASH, SERVICE, PEDAL, RESET])
ACTS = st.one_of(
    st.tuples(st.just("flip"), BITS),
    st.tuples(st.just("start"), st.just(0)),
    st.tuples(st.just("stop"), st.just(0)),
    st.tuples(st.just("plug"), st.just(0)),
    st.tuples(st.just("reset"), st.just(0)),
    st.tuples(st.just("module"), st.tuples(st.integers(0, 11), st.sampled_from([-4000, 0, 7000, 10000, 12650, 17000]))),
    st.tuples(st.just("open"), st.integers(0, 11)),
    st.tuples(st.just("ma"), st.sampled_from([-60000, 0, 5000, 90000, 470000])),
    st.tuples(st.just("weld"), st.booleans()),
    st.tuples(st.just("late"), st.sampled_from([5, 60, 400, 3000])),
    st.tuples(st.just("power"), st.just(0)),
    st.tuples(st.just("bytes"), st.binary(max_size=40)),
    st.tuples(st.just("heal"), st.just(0)),
    st.tuples(st.just("wait"), st.sampled_from([20, 200, 1500])),
)


class Watch:
    """The rig and the rules, looked at after every scan."""

    def __init__(self):
        self.rig = Rig(reset_code=0)
        self.since_plug_ms = 0
        self.pre_ms = 0
        self.was = 0

    def scan(self, late_ms=0):
        rig = self.rig
        rig.scan(late_ms)
        VISITED[rig.mode] += 1
        out = rig.board.out_bits
        plugged = not rig.inputs & UNPLUG
        self.since_plug_ms = 0 if plugged else self.since_plug_ms + 10 + late_ms
        # Two doors, never both.
        assert not (out & CHARGER and out & (MAIN | PRE | ENABLE))
        # Nothing of the drive path closes while the plug is there or was there a moment ago.
        closing = out & (MAIN | PRE) & ~self.was
        assert not (closing and self.since_plug_ms < 2990)
        # Main only after precharge, with the link up.
        if closing & MAIN:
            assert self.was & PRE
            assert rig.link_mv * 100 >= rig.string_mv() * 90 or min(rig.mv) < 9000 or any(rig.tap_open)
        # Locked out is off.
        if rig.mode in ("lockout", "boot", "rest"):
            assert not rig.powered()
        # An enable needs main, and a limit needs a mode that drives or charges.
        assert not out & ENABLE or out & MAIN
        assert rig.board.limit_permille == 0 or rig.mode in ("drive", "charge")
        self.was = out

    def run(self, ms):
        for _ in range(ms // 10):
            self.scan()

    def do(self, what, value):
        rig = self.rig
        if what == "flip":
            rig.inputs ^= value
            self.run(60)
        elif what == "start":
            rig.inputs |= KEY | START | UNPLUG | INTERLOCK | ESTOP | CRASH | SERVICE | PEDAL
            self.run(4600)
            rig.inputs &= ~START
        elif what == "stop":
            rig.inputs &= ~(KEY | START)
            rig.ma = 0
            self.run(300)
        elif what == "plug":
            rig.inputs &= ~(UNPLUG | KEY)
            rig.ma, rig.link_mv = 0, min(rig.link_mv, 50000)
            self.run(1500)
        elif what == "reset":
            rig.inputs = (rig.inputs | RESET) & ~KEY
            self.run(4000)
            rig.inputs &= ~RESET
        elif what == "module":
            rig.mv[value[0]] = value[1]
            self.run(100)
        elif what == "open":
            rig.tap_open[value] = not rig.tap_open[value]
            self.run(100)
        elif what == "ma":
            rig.ma = value
            self.run(50)
        elif what == "weld":
            rig.main_stuck = value
        elif what == "late":
            self.scan(late_ms=value)
        elif what == "power":
            locked = rig.mode == "lockout"
            rig.boot()
            self.was = 0
            self.since_plug_ms = 0  # a relay that has just woken has seen nothing yet
            self.run(2500)
            assert not locked or rig.mode == "lockout"
        elif what == "bytes":
            rig.give(value + b"\n")
        elif what == "heal":
            rig.mv = [12650] * 12
            rig.tap_open = [False] * 12
            rig.main_stuck = False
            rig.ma = 0
            rig.inputs |= UNPLUG | INTERLOCK | ESTOP | CRASH | SERVICE | PEDAL
            self.run(2500)
        else:
            self.run(value)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@example([("start", 0), ("ma", 90000), ("flip", INTERLOCK)])
@example([("wait", 1500), ("plug", 0), ("wait", 1500)])
@given(st.lists(ACTS, min_size=4, max_size=14))
def test_never(acts):
    watch = Watch()
    watch.run(1000)
    for what, value in acts:
        watch.do(what, value)


def test_every_mode_was_really_visited():
    """Runs after the test above: a floor under how often each mode was seen."""
    if not VISITED:
        test_never()
    for mode in ("boot", "rest", "precharge", "drive", "shed", "charge", "lockout"):
        assert VISITED[mode] >= (3 if mode == "shed" else 30), VISITED

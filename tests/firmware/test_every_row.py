"""Rows of the element table that no story of their own brings up, and what they ask for; and who is told.

The trace between requirements and evidence (docs/safety.md) showed that no test had made these operate.
"""

import pytest
from rig import CRASH, KEY, MAIN, SERVICE, Rig

from warden import elements, modes
from warden.modes import BUZZER, CHARGER, FAN, LAMP, STRAP, TRIPLAMP

ROW = {(row[0], row[1]): row for row in elements.TABLE}


def rest(rig):
    rig.until("rest")
    rig.run(5000)


def drive(rig):
    rig.drive(30000)


def charge(rig):
    rig.charge()


def low(rig):
    rig.mv[3] = 9000


def aux(mv):
    def change(rig):
        rig.aux_mv = mv

    return change


def lose(bit):
    def change(rig):
        rig.inputs &= ~bit

    return change


def leak(rig):
    rig.iso = (50, 100000)  # about 330 ohm/V: poor, not lost


def let_go(rig):
    """Main's contact opens with its coil on; the link is carried down by the controller."""
    rig.main_works = False
    rig.link_mv = 60000


def chatter(rig):
    world = rig.world

    def shaking():
        rig.main_works = rig.now // 50 % 2 == 0
        world()

    rig.world = shaking


def crossed(rig):
    """Module 3 below nothing by more than a module can be."""
    world = rig.world

    def change():
        world()
        rig.board.counts[2] = 0
        rig.board.counts[3] = 65000

    rig.world = change


def string_off(rig):
    rig.string_off_mv = -20000


def tap_open(rig):
    world = rig.world

    def change():
        world()
        rig.board.counts[48] = 0

    rig.world = change


def sensor_end(rig):
    rig.ma = -520000


def shows_current(rig):
    rig.ma = 12000


def probe(rig):
    rig.temp_counts[1] = 65535


# number, stage, mode, what is done, time given in ms
CASES = [
    ("27", "rest", rest, low, 3000),
    ("27X", "alarm", drive, aux(11000), 3000),
    ("27X", "block", rest, aux(8500), 1000),
    ("64", "alarm", rest, leak, 9000),
    ("72", "close", drive, let_go, 1000),
    ("72", "chatter", drive, chatter, 3000),
    ("69", "crash_open", rest, lose(CRASH), 200),
    ("69", "service_open", rest, lose(SERVICE), 200),
    ("M2", "alarm", rest, crossed, 3000),
    ("M2", "trip", rest, crossed, 12000),
    ("M4", "trip", drive, string_off, 12000),
    ("M7", "alarm", rest, sensor_end, 2000),
    ("M7", "trip", rest, sensor_end, 12000),
    ("M7", "offset", rest, shows_current, 3000),
    ("M8", "trip", rest, probe, 12000),
    ("M9", "alarm", rest, tap_open, 2000),
    ("M9", "trip", rest, tap_open, 12000),
]


def operates(number, stage, mode, change, ms):
    """The rig after the row operated.  AssertionError when it did not within `ms`, or had before."""
    rig = Rig()
    mode(rig)
    assert not rig.told("event", el=number, stage=stage, on=1)
    change(rig)
    for _ in range(ms // 10):
        rig.scan()
        if rig.told("event", el=number, stage=stage, on=1):
            return rig
    raise AssertionError("%s/%s did not operate within %d ms" % (number, stage, ms))


@pytest.mark.parametrize("number, stage, mode, change, ms", CASES, ids=["%s-%s" % case[:2] for case in CASES])
def test_it_operates_and_asks(number, stage, mode, change, ms):
    """It says so, and what its row asks for is so: a lamp, no start, no charge, or a lockout."""
    rig = operates(number, stage, mode, change, ms)
    action = ROW[number, stage][8]
    rig.run(200)
    if action & modes.ALARM:
        assert rig.board.out_bits & LAMP
    if action & modes.TRIPS:
        assert rig.mode == "lockout" and not rig.powered()
        assert (number, stage) in [trip[:2] for trip in rig.trips()]
        return
    rig.run(1100)
    word = int(rig.told("state")[-1]["in"], 16)
    assert not (action & modes.NODRIVE and word & modes.GO)
    assert not (action & modes.NOCHARGE and word & modes.FILL)


def test_a_row_that_is_left_alone_does_not_operate():
    """Canary: the helper says so when nothing is done."""
    with pytest.raises(AssertionError, match="did not operate"):
        operates("27", "rest", rest, lambda rig: None, 3000)


def test_the_fan_runs_with_the_charger():
    """In every scan of a charge and after it."""
    rig = Rig()
    seen = 0
    rig.charge()
    for n in range(300):
        if n == 200:
            rig.inputs |= KEY
        rig.scan()
        out = rig.board.out_bits
        assert bool(out & CHARGER) <= bool(out & FAN)
        seen += bool(out & CHARGER)
    assert seen > 150 and not rig.board.out_bits & CHARGER


def test_the_driver_is_warned():
    """Lamp with every alarm, sounder while derated, red lamp and sounder in lockout."""
    rig = Rig()
    rig.drive(50000)
    assert not rig.board.out_bits & (LAMP | BUZZER | TRIPLAMP)
    rig.mv[6] = 10000
    rig.run(1500)
    assert rig.mode == "drive" and rig.board.out_bits & LAMP and rig.board.out_bits & BUZZER
    seen = 0
    for _ in range(600):
        rig.scan()
        if rig.mode == "shed":
            seen += 1
            assert rig.board.out_bits & BUZZER and rig.board.out_bits & MAIN
        if rig.mode == "lockout":
            break
    assert seen and rig.mode == "lockout"
    rig.run(100)
    assert rig.board.out_bits & TRIPLAMP and rig.board.out_bits & BUZZER


def test_the_strap_changes_nothing_but_what_is_told():
    """The same course with the strap's input on and off gives the same outputs, scan by scan."""
    courses = []
    for strap in (0, STRAP):
        rig = Rig()
        rig.inputs |= strap
        outputs = []
        rig.drive(20000)
        for n in range(400):
            if n == 300:
                rig.inputs &= ~KEY
                rig.ma = 0
            rig.scan()
            outputs.append((rig.mode, rig.board.out_bits, rig.board.limit_permille))
        courses.append(outputs)
    assert courses[0] == courses[1]
    assert {mode for mode, _, _ in courses[0]} >= {"drive", "rest"}

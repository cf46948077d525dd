"""Time: wrap-around, late scans, and scans of other lengths."""

from rig import INTERLOCK, Rig


def test_every_delay_is_right_across_the_wrap():
    """The rig's clock wraps 4 s after power-up; the same fault at other times must take as long."""
    took = set()
    for start in ((1 << 30) - 7000, (1 << 30) - 8000, 5000, (1 << 29) - 6500):
        rig = Rig()
        rig.now = start
        rig.drive(60000)
        rig.mv[6] = 9800
        took.add(rig.open_time())
    assert len(took) == 1


def test_a_late_scan_alarms_and_a_very_late_one_trips():
    rig = Rig()
    rig.drive(20000)
    rig.scan(late_ms=40)
    rig.run(100)
    assert rig.told("event", el="M10", stage="alarm", on=1) and rig.mode == "drive"
    rig.scan(late_ms=400)
    rig.open_time()
    assert ("M10", "trip", 0) in rig.trips()


def test_a_clock_that_goes_back_is_late():
    rig = Rig()
    rig.drive(20000)
    rig.scan(late_ms=-5000)
    rig.open_time()
    assert ("M10", "trip", 0) in rig.trips()


def test_scans_that_are_always_late_still_tell_everything():
    rig = Rig()
    rig.drive(20000)
    before = len(rig.told("count"))
    for _ in range(50):
        rig.scan(late_ms=50)
    assert len(rig.told("count")) >= before + 2


def test_slightly_late_scans_are_forgiven():
    rig = Rig()
    rig.drive(20000)
    for _ in range(500):
        rig.scan(late_ms=1)
    assert not rig.told("event", el="M10")


def test_a_delay_runs_on_the_clock_and_not_on_scans():
    """With 100 ms scans the interlock still acts in its time, to within the scans that see it."""
    rig = Rig()
    rig.step_ms = 100
    rig.drive(60000)
    rig.inputs &= ~INTERLOCK
    assert rig.open_time() <= 400


def test_energy_is_counted_alike_at_any_scan_interval():
    counted = []
    for step_ms in (10, 100, 1000):
        rig = Rig(late_ms=15)
        rig.step_ms = step_ms
        rig.until("rest", 60000)
        rig.run(2000)
        rig.relay.configure(rig.relay.values)
        rig.ma = -20000
        rig.run(600000)
        rig.ma = 0
        rig.run(3000)
        last = rig.told("count")[-1]
        counted.append((int(last["mahin"]), int(last["whin"])))
    # 20 A for 600 s is 3333 mAh; at 151.8 V that is 506 Wh.
    for mah, wh in counted:
        assert abs(mah - 3333) <= 40 and abs(wh - 506) <= 7

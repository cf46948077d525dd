"""A day in a few seconds, told the same by every interpreter: start, drive, sag, faults, lockout, reset, charge.

`play(rig, scan)` calls scan() once a scan; the callers wrap it to lock the heap or only to print the lines.
"""

from rig import ESTOP, KEY, RESET_BIT, START, UNPLUG


def play(rig, scan):
    def run(ms):
        for _ in range(ms // 10):
            scan()

    n = len(rig.mv)
    run(4500)
    rig.send("who 1")
    rig.inputs |= KEY | START
    run(1500)
    rig.inputs &= ~START
    for step in range(12):  # stop and go: resistance is learnt
        rig.ma = 180000 if step % 2 else -20000
        for k in range(n):
            rig.mv[k] = 12650 - (900 if step % 2 else -100) - 7 * k
        run(300)
    rig.send("get 2 name=v27_floor_mv")
    rig.give(b"\x00\xff garbage without end" * 8 + b"\n")
    rig.mv[n // 2] = 10100  # 27: derate
    run(1200)
    rig.mv[n // 2] = 11600
    rig.aux_mv = 11400  # 27X alarm
    run(2500)
    rig.aux_mv = 12900
    rig.iso = (20, 100000)  # 64
    run(4000)
    rig.iso = None
    rig.tap_open[n - 1] = True  # M1
    run(1500)
    rig.tap_open[n - 1] = False
    rig.ref_counts[0] = 34000  # M5
    rig.temp_counts[0] = 65500  # M8
    rig.absent = 1  # M6
    run(1000)
    rig.absent = 0
    rig.ref_counts[0] = rig.temp_counts[0] = 32768
    rig.send("list 3 what=fields")
    run(1500)
    rig.mv[0] = 500  # 27 floor
    run(1500)
    rig.ma = 0
    rig.mv[0] = 12600
    rig.inputs &= ~KEY
    run(3000)
    rig.send("list 4 what=trips")
    rig.inputs |= RESET_BIT
    run(3000)
    rig.inputs &= ~RESET_BIT
    rig.send("set 5 name=v60_pickup_mv value=700")
    run(300)
    rig.inputs &= ~UNPLUG
    run(18000)
    rig.ma = -13000
    for k in range(n):
        rig.mv[k] = 15300
    run(12000)
    rig.inputs &= ~ESTOP
    rig.inputs |= UNPLUG
    run(1000)

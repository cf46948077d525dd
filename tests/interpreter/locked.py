"""Plays the story with the heap locked round every scan; prints how many scans, and fails on the first byte."""

import gc

import micropython
from rig import Rig, pack_of
from story import play


def run(n):
    rig = Rig(filter_shift=1, **pack_of(n))
    lock, unlock, used = micropython.heap_lock, micropython.heap_unlock, gc.mem_alloc
    scans = 0

    def scan():
        nonlocal scans
        rig.world()
        rig.now = (rig.now + 10) & 0x3FFFFFFF
        scan_once = rig.relay.scan
        now = rig.now
        gc.collect()
        before = used()
        lock()
        try:
            scan_once(now)
        finally:
            unlock()
        after = used()
        if after != before:
            raise MemoryError("scan %d at %d took %d bytes" % (scans, now, after - before))
        rig.relay.serve()
        rig.relay.idle()
        rig.lines = rig.board.take_lines(rig.relay.outbox)
        scans += 1

    play(rig, scan)
    print("modules", n, "scans", scans, "mode", rig.mode, "trips", rig.relay.journal.word[1])


run(24)
run(1)

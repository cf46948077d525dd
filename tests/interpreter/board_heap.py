"""The whole turn of a board with the heap locked: wait, sample, scan, drive, and the port.  Prints what it took.

The chips here answer without heap, as a board's own do; pins and SPI are of this file, the rest is the firmware's.
"""

import gc
import sys

import micropython


class Pin:
    IN, OUT, PULL_UP, PULL_DOWN = 0, 1, 1, 2

    def __init__(self, gpio, mode=-1, pull=-1, value=0):
        self.level = 1 if pull == 1 else value

    def __call__(self, level):
        self.level = level

    def value(self):
        return self.level

    def toggle(self):
        self.level = 1 - self.level


class SPI:
    def __init__(self, n, **_):
        pass

    def write_readinto(self, tx, rx):
        if len(tx) == 4:  # loops closed, key on, nothing plugged in, pedal up, drivers as they are told
            on = 0
            for n in range(4):
                on |= board.relays[n][1].level << n
            fed = board.pins["feed"].level
            rx[2] = 0b01111101 if fed else 0
            rx[3] = 2 * fed | on << 2 | 64
        else:
            channel = (tx[0] & 1) << 2 | tx[1] >> 6
            rx[1], rx[2] = 4 + channel, 0


class PWM:
    def __init__(self, *_, **__):
        pass

    def duty_u16(self, duty):
        pass


class WDT:
    fed = 0

    def __init__(self, timeout=0):
        pass

    def feed(self):
        WDT.fed += 1


class machine:
    mem32 = {}
    PWRON_RESET, WDT_RESET = 1, 3


machine.Pin, machine.SPI, machine.PWM, machine.WDT = Pin, SPI, PWM, WDT
machine.reset_cause = lambda: 1
sys.modules["machine"] = machine


class Memory:
    def read(self, name):
        if not name.startswith("settings"):
            return None
        from boards.store import wrap
        from warden import settings

        image = bytearray(settings.IMAGE_BYTES)
        settings.pack(settings.defaults(), image)
        return wrap(1, image)

    def write(self, name, data):
        pass


gc.collect()
before = gc.mem_alloc()
from boards import base, pico  # noqa: E402
from warden import commands, sense  # noqa: E402, F401
from warden.relay import Relay  # noqa: E402

base.Files = lambda folder: Memory()
gc.collect()
loaded = gc.mem_alloc() - before


board = pico.Board()
board.power_up()
board.keep = lambda: None
relay = Relay(board)
gc.collect()
alive = gc.mem_alloc() - before - loaded


def turn():
    if not board.wait():
        raise SystemExit
    relay.scan(board.now_ms)
    board.drive()


def run(scans):
    turn()
    turn()
    gc.collect()
    was = gc.mem_alloc()
    micropython.heap_lock()
    try:
        for _ in range(scans):
            turn()
            relay.outbox.waiting = 0
    finally:
        micropython.heap_unlock()
    return gc.mem_alloc() - was


took = run(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
print("loaded", loaded, "alive", alive, "took", took, "fed", WDT.fed > 250, "mode", relay.sequence.mode)

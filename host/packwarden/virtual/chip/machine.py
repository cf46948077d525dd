"""A stand-in for MicroPython's `machine` on the virtual board: pins, SPI chips, watchdog and reset over one stream.

The other end (packwarden.virtual.far) has the pack.  Chips answer bit for bit as their datasheets say: 8-channel
12-bit converters and a 16-bit expander, each at the chip select that the firmware's own pin table gives it.
"""

import os
import time
from array import array

PWRON_RESET, HARD_RESET, WDT_RESET, DEEPSLEEP_RESET, SOFT_RESET = 1, 2, 3, 4, 5
_far = open(int(os.getenv("PACKWARDEN_FAR")), "r+b")
_COUNTS = 72
_view = array("H", [0] * (_COUNTS + 3))
UPPER, LOWER, STRING, LINK, CURRENT, AUX, PROBE, REF, ISO_P, ISO_N = 0, 24, 48, 49, 50, 51, 52, 58, 64, 65
BUS, LOCAL = (STRING, LINK, ISO_P, ISO_N), (CURRENT, AUX)
HEAD_A, HEAD_B, BUS_CHIP, LOCAL_CHIP, INPUTS_CHIP = range(5)


def _take(n):
    data = bytearray(n)
    got = 0
    while got < n:
        more = _far.readinto(memoryview(data)[got:])
        if not more:
            raise SystemExit
        got += more
    return data


# What the far side says first: cause, four scratch words, boxes, then the chips: gpio, kind, head.
_hello = _take(1 + 16 + 6 + 1)
_cause = _hello[0]
_scratch = [int.from_bytes(_hello[1 + 4 * n : 5 + 4 * n], "little") for n in range(4)]
_boxes = list(_hello[17:23])
_chips = {}
for _ in range(_hello[23]):
    _gpio, _kind, _head = _take(3)
    _chips[_gpio] = (_kind, _head)
_first = [sum(_boxes[:b]) for b in range(len(_boxes))]
_selected = [-1]


def _tell(*values):
    _far.write(bytes(values))


def _look():
    """Ask the far side for counts, discretes, drivers that are on, and heads that are absent."""
    _tell(71)
    data = _take(2 * len(_view))
    for n in range(len(_view)):
        _view[n] = data[2 * n] | data[2 * n + 1] << 8


class Pin:
    """A pin; outputs are told to the far side when they change, inputs asked there."""

    IN, OUT, OPEN_DRAIN = 0, 1, 2
    PULL_UP, PULL_DOWN = 1, 2
    _level = {}
    _mode = {}

    def __init__(self, gpio, mode=-1, pull=-1, *, value=None):
        self.gpio = gpio
        if value is not None:
            self._put(value)
        if mode >= 0:
            Pin._mode[gpio] = mode
            _tell(77, gpio, mode)

    def _put(self, level):
        level = 1 if level else 0
        if Pin._level.get(self.gpio) != level:
            Pin._level[self.gpio] = level
            if self.gpio in _chips:
                if not level:
                    _selected[0] = self.gpio
                elif _selected[0] == self.gpio:
                    _selected[0] = -1
            else:
                _tell(80, self.gpio, level)

    def value(self, level=None):
        if level is not None:
            self._put(level)
            return None
        if Pin._mode.get(self.gpio) == Pin.OUT:
            return Pin._level.get(self.gpio, 0)
        _tell(73, self.gpio)
        return _take(1)[0]

    __call__ = value

    def toggle(self):
        self._put(not Pin._level.get(self.gpio, 0))


class SPI:
    """Whatever chip is selected answers."""

    def __init__(self, n, baudrate=1000000, polarity=0, phase=0, sck=None, mosi=None, miso=None, **others):
        self.n = n

    def write_readinto(self, tx, rx):
        kind, head = _chips.get(_selected[0], (-1, 0))
        for n in range(len(rx)):
            rx[n] = 255  # the pull-up
        if kind == INPUTS_CHIP:
            if tx[0] == 0x41 and tx[1] == 0x12:
                _look()
                word = _view[_COUNTS]
                rx[2], rx[3] = word & 255, word >> 8
        elif kind >= 0:
            if kind in (HEAD_A, HEAD_B) and _view[_COUNTS + 2] >> head & 1:
                return
            channel = (tx[0] & 1) << 2 | tx[1] >> 6
            code = _channel(kind, head, channel) >> 4
            rx[1], rx[2] = 0xE0 | code >> 8, code & 255


def _channel(kind, head, channel):
    if kind == BUS_CHIP:
        return _view[BUS[channel]] if channel < 4 else 0
    if kind == LOCAL_CHIP:
        return _view[LOCAL[channel]] if channel < 2 else 0
    tap = channel + 1 if kind == HEAD_A else channel + 9
    if kind == HEAD_B and channel > 3:
        if channel == 7:
            return _view[LOWER + _first[head]]
        return _view[REF + head] if channel == 5 else _view[PROBE + head] if channel == 6 else 0
    return _view[UPPER + _first[head] + tap - 1] if tap <= _boxes[head] else 0


class PWM:
    """The power limit."""

    def __init__(self, pin, freq=0, duty_u16=0, **others):
        self.duty_u16(duty_u16)

    def duty_u16(self, duty):
        _tell(76, duty & 255, duty >> 8)


class WDT:
    """The far side kills the process when it is not fed in time; it can't be stopped."""

    def __init__(self, id=0, timeout=5000):
        _tell(87, timeout & 255, timeout >> 8)

    def feed(self):
        _tell(70)


class RTC:
    """Memory that outlives a reset, as an ESP32 has it."""

    def memory(self, data=None):
        if data is None:
            return b"".join([w.to_bytes(4, "little") for w in _scratch])
        for n in range(len(data) // 4):
            mem32[0x4005800C + 4 * n] = int.from_bytes(data[4 * n : 4 * n + 4], "little")
        return None


class _Mem32:
    def __getitem__(self, at):
        return _scratch[(at - 0x4005800C) // 4]

    def __setitem__(self, at, value):
        n = (at - 0x4005800C) // 4
        _scratch[n] = value & 0xFFFFFFFF
        _tell(83, n, *[value >> shift & 255 for shift in (0, 8, 16, 24)])


mem32 = _Mem32()


def reset():
    """The far side ends this process and starts another."""
    _tell(82)
    while True:
        time.sleep(1)


def reset_cause():
    return _cause


def unique_id():
    return b"virtual0"


def freq(hz=None):
    return 125000000


def idle():
    time.sleep_ms(1)


def soft_reset():
    raise SystemExit


def flash_busy():
    """The flash is being erased or programmed: for the far side's account of when.  No part of a chip."""
    _tell(69)

"""A board whose heads, converters and discretes are all on one SPI.  A board file adds the pins and the notes.

The bus head measures the string, the link and both sides to chassis; the local converter is on the relay's own
ground and has the current sensor and the aux supply.
"""

import machine

from boards import base
from boards.adc8 import BAUD_HZ, Adc8
from boards.heads import Heads
from boards.inputs16 import Inputs16
from warden.modes import (
    BUZZER,
    CHARGER,
    ENABLE,
    FAN,
    ISO_NEG,
    ISO_POS,
    LAMP,
    MAIN,
    PRE,
    TRIPLAMP,
)  # fmt: skip
from warden.sense import AUX, CURRENT, ISO_N, ISO_P, LINK, STRING

# Word of `counts`, channel, conversions averaged.
BUS = ((STRING, 0, 4), (LINK, 1, 4), (ISO_P, 2, 2), (ISO_N, 3, 2))
LOCAL = ((CURRENT, 0, 4), (AUX, 1, 2))

LIMIT_HZ = 1000  # of the power limit's pulses


class Board(base.Board):
    """See boards/base.py for what each method promises."""

    SPI = 0  # which
    HEADS = (("cs_head1a", "cs_head1b"), ("cs_head2a", "cs_head2b"))
    OUTPUTS = (
        ("main", MAIN), ("pre", PRE), ("charger", CHARGER), ("enable", ENABLE), ("fan", FAN), ("lamp", LAMP),
        ("triplamp", TRIPLAMP), ("buzzer", BUZZER), ("iso_pos", ISO_POS), ("iso_neg", ISO_NEG),
    )  # fmt: skip

    def begin(self):
        pins = self.pins
        bus = {}  # type: dict
        for name, gpio, direction, _safe, _meaning in self.PINS:
            if direction in ("bus", "pwm"):
                bus[name] = machine.Pin(gpio)
        self.pwm = machine.PWM(bus["limit"], freq=LIMIT_HZ, duty_u16=0)
        spi = machine.SPI(
            self.SPI, baudrate=BAUD_HZ, polarity=0, phase=0, sck=bus["sck"], mosi=bus["mosi"], miso=bus["miso"]
        )
        self.heads = Heads([(Adc8(spi, pins[a]), Adc8(spi, pins[b])) for a, b in self.HEADS])
        self.tap = self.heads.tap
        self.bus = Adc8(spi, pins["cs_bus"])
        self.local = Adc8(spi, pins["cs_local"])
        self.inputs = Inputs16(spi, pins["cs_inputs"])

    def read_inputs(self):
        inputs = self.inputs
        inputs.read()
        self.inputs_good, self.inputs_raw, self.drivers_on = inputs.good, inputs.raw, inputs.on

    def read_scalars(self):
        counts = self.counts
        for at, channel, times in BUS:
            counts[at] = self.bus.read(channel, times)
        for at, channel, times in LOCAL:
            counts[at] = self.local.read(channel, times)

    def read_head(self, head, first_tap, taps):
        return self.heads.read(head, first_tap, taps)

    def read_box(self, head):
        self.heads.box(head, self.counts)

    def set_limit(self, permille):
        self.pwm.duty_u16(permille * 65535 // 1000)

"""The reference board: an RP2040 with isolated sense heads on SPI.

PINS is the one place where pins are given; the hardware description is checked against it.
"""

import machine

from boards import spi

# name, GPIO, direction, safe level, meaning.  "bus" and "pwm" pins are inputs until their peripheral takes them.
PINS = (
    ("main", 2, "out", 0, "main contactor driver, 1 closes"),
    ("pre", 3, "out", 0, "precharge contactor driver, 1 closes"),
    ("charger", 4, "out", 0, "charger contactor driver, 1 closes"),
    ("enable", 5, "out", 0, "motor controller enable, 1 enables"),
    ("iso_pos", 6, "out", 0, "isolation test resistor from pack + to chassis, 1 connects"),
    ("iso_neg", 7, "out", 0, "isolation test resistor from pack - to chassis, 1 connects"),
    ("fan", 8, "out", 0, "box ventilation"),
    ("lamp", 9, "out", 0, "yellow lamp"),
    ("triplamp", 10, "out", 0, "red lamp"),
    ("buzzer", 11, "out", 0, "sounder"),
    ("limit", 12, "pwm", 0, "power limit: duty 0 to 100 % of what may be drawn"),
    ("alive", 13, "out", 0, "toggles with every completed healthy scan; the gate of the power drivers needs it"),
    ("strap", 14, "in", 1, "bench strap: to ground when fitted"),
    ("feed", 15, "out", 1, "supply of the input loops; 0 takes it away for the stuck-at test"),
    ("miso", 16, "bus", 0, "SPI 0, from heads, local converter and expander"),
    ("cs_head1a", 17, "out", 1, "head 1, taps 1 to 8"),
    ("sck", 18, "bus", 0, "SPI 0"),
    ("mosi", 19, "bus", 0, "SPI 0"),
    ("cs_head1b", 20, "out", 1, "head 1, taps 9 to 12, reference, probe, ground"),
    ("cs_head2a", 21, "out", 1, "head 2, taps 1 to 8"),
    ("cs_head2b", 22, "out", 1, "head 2, taps 9 to 12, reference, probe, ground"),
    ("cs_bus", 26, "out", 1, "bus head: string, link, isolation"),
    ("cs_local", 27, "out", 1, "local converter: current sensor, aux"),
    ("cs_inputs", 28, "out", 1, "expander of the discretes"),
)

# The watchdog block's scratch registers outlive every reset but power-on.  The SDK keeps 4 to 7 for itself.
SCRATCH = 0x4005800C
MAGIC = 0x507700  # a register that does not hold it was never written


class Board(spi.Board):
    """Pins, and notes in the watchdog's scratch registers."""

    NAME = "pico"
    PINS = PINS

    def note(self, n):
        word = machine.mem32[SCRATCH + 4 * n]
        return word & 255 if word & ~255 == MAGIC else 0

    def set_note(self, n, value):
        machine.mem32[SCRATCH + 4 * n] = MAGIC | value

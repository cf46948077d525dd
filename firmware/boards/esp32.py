"""A second board, of the ESP32-S3 class: the same heads and chips on other pins.  It shows that the interface holds.

It has run on the virtual board only.  GPIO 0, 3, 45 and 46 (start-up straps), 19 and 20 (USB) and 26 to 37 (flash and
memory) are left alone.
"""

import machine

from boards import spi

# name, GPIO, direction, safe level, meaning.  "bus" and "pwm" pins are inputs until their peripheral takes them.
PINS = (
    ("main", 4, "out", 0, "main contactor driver, 1 closes"),
    ("pre", 5, "out", 0, "precharge contactor driver, 1 closes"),
    ("charger", 6, "out", 0, "charger contactor driver, 1 closes"),
    ("enable", 7, "out", 0, "motor controller enable, 1 enables"),
    ("iso_pos", 15, "out", 0, "isolation test resistor from pack + to chassis, 1 connects"),
    ("iso_neg", 16, "out", 0, "isolation test resistor from pack - to chassis, 1 connects"),
    ("fan", 17, "out", 0, "box ventilation"),
    ("lamp", 18, "out", 0, "yellow lamp"),
    ("triplamp", 8, "out", 0, "red lamp"),
    ("buzzer", 9, "out", 0, "sounder"),
    ("limit", 10, "pwm", 0, "power limit: duty 0 to 100 % of what may be drawn"),
    ("alive", 11, "out", 0, "toggles with every completed healthy scan; the gate of the power drivers needs it"),
    ("strap", 42, "in", 1, "bench strap: to ground when fitted"),
    ("feed", 2, "out", 1, "supply of the input loops; 0 takes it away for the stuck-at test"),
    ("miso", 13, "bus", 0, "SPI 1, from heads, local converter and expander"),
    ("cs_head1a", 21, "out", 1, "head 1, taps 1 to 8"),
    ("sck", 12, "bus", 0, "SPI 1"),
    ("mosi", 14, "bus", 0, "SPI 1"),
    ("cs_head1b", 47, "out", 1, "head 1, taps 9 to 12, reference, probe, ground"),
    ("cs_head2a", 48, "out", 1, "head 2, taps 1 to 8"),
    ("cs_head2b", 38, "out", 1, "head 2, taps 9 to 12, reference, probe, ground"),
    ("cs_bus", 39, "out", 1, "bus head: string, link, isolation"),
    ("cs_local", 40, "out", 1, "local converter: current sensor, aux"),
    ("cs_inputs", 41, "out", 1, "expander of the discretes"),
)

MAGIC = 0x57


class Board(spi.Board):
    """Pins, and notes in the real-time clock's memory, which outlives a reset."""

    NAME = "esp32"
    PINS = PINS
    SPI = 1

    def note(self, n):
        memory = machine.RTC().memory()
        return memory[4 * n + 1] if len(memory) >= 8 and memory[4 * n] == MAGIC else 0

    def set_note(self, n, value):
        rtc = machine.RTC()
        memory = bytearray(rtc.memory())
        memory += bytes(max(0, 8 - len(memory)))
        memory[4 * n], memory[4 * n + 1] = MAGIC, value
        rtc.memory(memory)

"""Sixteen discretes on one SPI expander (Microchip MCP23S17, datasheet DS20001952).

At reset every line is an input, which is all that is wanted of it: nothing is ever configured, so a chip that
lost its supply for a moment is right again by itself.  Port A carries inputs 0 to 7, port B inputs 8 and 9, the
drivers' read-backs, and two lines tied high and low that show whether what was read can be believed.
"""

from warden.modes import (
    CHARGER,
    CRASH,
    ENABLE,
    ESTOP,
    INTERLOCK,
    KEY,
    MAIN,
    MAINAUX,
    PEDAL,
    PRE,
    RESET,
    SERVICE,
    START,
    UNPLUG,
)  # fmt: skip

READ_GPIO = (0x41, 0x12)  # read, address 0; register GPIOA, then GPIOB by itself

# Line of the expander, bit: 1 is a closed loop, see warden.modes.
LINES = (
    (0, KEY), (1, START), (2, UNPLUG), (3, INTERLOCK), (4, ESTOP), (5, CRASH), (6, SERVICE), (7, MAINAUX),
    (8, RESET), (9, PEDAL),
)  # fmt: skip
# Read-backs, taken behind the driver: 1 when its output is on.
BACK = ((10, MAIN), (11, PRE), (12, CHARGER), (13, ENABLE))
TIED_HIGH, TIED_LOW = 1 << 14, 1 << 15


class Inputs16:
    """The expander on a shared SPI."""

    def __init__(self, spi, select):
        self.spi = spi
        self.select = select
        self.tx = bytearray(4)
        self.rx = bytearray(4)
        self.good = False  # the tied lines were right
        self.raw = 0  # inputs that are closed
        self.on = 0  # drivers that are on

    def _ask(self, what):
        tx, rx = self.tx, self.rx
        tx[0], tx[1] = what
        self.select(0)
        self.spi.write_readinto(tx, rx)
        self.select(1)
        return rx[2] | rx[3] << 8

    def read(self):
        """Fill `good`, `raw` and `on`.  No heap: not even a tuple to return them in.

        Read twice: what is closed only once counts as open, which is the safe side of every input that bounces.
        """
        word = self._ask(READ_GPIO)
        again = self._ask(READ_GPIO)
        self.good = word & again & TIED_HIGH != 0 and not (word | again) & TIED_LOW
        word &= again
        raw = on = 0
        for line, bit in LINES:
            if word >> line & 1:
                raw |= bit
        for line, bit in BACK:
            if word >> line & 1:
                on |= bit
        self.raw, self.on = raw, on

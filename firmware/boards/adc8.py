"""A sense head's converter: the classic 12-bit, 8-channel SPI type (Microchip MCP3208, datasheet DS21298).

Three bytes each way are one conversion: start bit, single-ended, channel; then a null bit and twelve bits.  The
null bit is low from a chip that is there.  A chip that is not leaves the line at its pull-up: all ones.

Counts are given on the relay's scale of 16 bits; several conversions are added up, which also averages.
"""

BAUD_HZ = 1000000  # the datasheet's highest at 2.7 V; 2 MHz at 5 V


class Adc8:
    """One converter on a shared SPI, selected by its own pin."""

    def __init__(self, spi, select):
        self.spi = spi
        self.select = select  # a Pin, high when idle
        self.tx = bytearray(3)
        self.rx = bytearray(3)
        self.there = True  # it answered every conversion since `there` was last set

    def read(self, channel, times):
        """Counts of 0 to 65520: the mean of `times` (1, 2, 4, 8 or 16) conversions.  No heap."""
        tx, rx, select = self.tx, self.rx, self.select
        tx[0] = 6 | channel >> 2
        tx[1] = (channel & 3) << 6
        total = 0
        for _ in range(times):
            select(0)
            self.spi.write_readinto(tx, rx)
            select(1)
            if rx[1] & 16:
                self.there = False
            total += (rx[1] & 15) << 8 | rx[2]
        return total * 16 // times

"""Isolated sense heads of two 8-channel converters each, for up to twelve taps.

Converter A has taps 1 to 8 on its channels 0 to 7; B has taps 9 to 12 on 0 to 3, the reference on 5, the probe on 6
and the head's ground on 7.  Tap 0 is the ground: the negative end of the box.
"""

from array import array

from warden import sense

TAPS = 12
TIMES = 2  # conversions averaged for a tap
REFERENCE, PROBE, GROUND = 5, 6, 7  # channels of converter B


class Heads:
    """`tap`: what the last `read` found.  A head that the board does not have is never there."""

    def __init__(self, pairs):
        self.pairs = pairs
        self.tap = array("H", [0] * (TAPS + 1))

    def read(self, head, first, taps):
        """Taps `first` to `first + taps - 1` of a head; False when it does not answer.  No heap."""
        if head >= len(self.pairs) or first + taps > TAPS + 1:
            return False
        a, b = self.pairs[head]
        a.there = b.there = True
        for j in range(taps):
            t = first + j
            if t == 0:
                self.tap[j] = b.read(GROUND, 1)
            elif t <= 8:
                self.tap[j] = a.read(t - 1, TIMES)
            else:
                self.tap[j] = b.read(t - 9, TIMES)
        # A head without power may leave its line low: then its reference reads nothing.
        return a.there and b.there and b.read(REFERENCE, 1) > 1024

    def box(self, head, counts):
        """Probe and reference of a head into `counts`; noughts for one that the board does not have."""
        there = head < len(self.pairs)
        b = self.pairs[head if there else 0][1]
        counts[sense.PROBE + head] = b.read(PROBE, 2) if there else 0
        counts[sense.REF + head] = b.read(REFERENCE, 2) if there else 0

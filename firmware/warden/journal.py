"""What must outlive power: the lockout, the last trips with the moments around them, and the counters.

One image, ending in a CRC.  The relay only fills arrays in the scan; the image is made and handed to the
board when every power output is off.  An image that is there but damaged counts as a lockout: a relay that
can't know does not guess.
"""

from array import array

from warden import elements, settings
from warden.crc import crc16
from warden.image import put_words, take_words
from warden.modes import MODES

TRIPS = 8  # trips kept
PRIOR = 24  # samples kept around the last trip
AFTER = 8  # of them, after it
PRIOR_MS = 100

# Words of the image before the trips
(LATCHED, TRIP_N, BOOTS, MAH_OUT, MAH_IN, WH_OUT, WH_IN, OPS, PRIOR_HEAD) = range(9)
_TRIPS_AT = 9
_PRIOR_AT = _TRIPS_AT + 4 * TRIPS
WORDS = _PRIOR_AT + 5 * PRIOR
IMAGE_BYTES = 4 + 4 * WORDS + 2
COUNTER_MASK = (1 << 29) - 1  # counters start again beyond this, at power-up, so that none reaches 2**30 in a scan
_MAGIC = 0x504A

EMPTY, WHOLE, DAMAGED = 0, 1, 2


class Journal:
    """`word`: everything, as 32-bit words.  Positions are the names above."""

    def __init__(self):
        self.word = array("i", [0] * WORDS)
        self.dirty = False
        self.left = -1  # samples still to take after a trip; -1: none pending
        self.since_ms = 0

    def latch(self, row, k, value, mode):
        """A trip: keep it and hold the lockout.  Only the first of a lockout is kept."""
        w = self.word
        if w[LATCHED]:
            return
        w[LATCHED] = 1
        at = _TRIPS_AT + 4 * (w[TRIP_N] % TRIPS)
        w[at] = row  # one by one: a tuple of four would be made on the heap
        w[at + 1] = k
        w[at + 2] = value
        w[at + 3] = mode
        w[TRIP_N] += 1
        self.left = AFTER
        self.dirty = True

    def trip(self, n):
        """Position in `word` of trip number `n`: row, k, value, mode."""
        return _TRIPS_AT + 4 * (n % TRIPS)

    def clear(self):
        """The lockout was reset on purpose."""
        self.word[LATCHED] = 0
        self.left = -1
        self.dirty = True

    def sample(self, dt_ms, ma, string_mv, link_mv, low, low_mv):
        """Keep one moment every PRIOR_MS, until the moments after a trip are all in."""
        if self.word[LATCHED] and self.left <= 0:
            return
        self.since_ms += dt_ms
        if self.since_ms < PRIOR_MS:
            return
        self.since_ms = 0
        w = self.word
        at = _PRIOR_AT + 5 * w[PRIOR_HEAD]
        w[at] = ma
        w[at + 1] = string_mv
        w[at + 2] = link_mv
        w[at + 3] = low
        w[at + 4] = low_mv
        w[PRIOR_HEAD] = (w[PRIOR_HEAD] + 1) % PRIOR
        if self.left > 0:
            self.left -= 1
            self.dirty = True

    def prior(self, n):
        """Position in `word` of the n-th oldest moment: mA, string mV, link mV, module, its mV."""
        return _PRIOR_AT + 5 * ((self.word[PRIOR_HEAD] + n) % PRIOR)

    def write(self, image, start):
        """Write the image into bytearray `image` from `start`.  Not in the scan: this allocates."""
        image[start], image[start + 1], image[start + 2], image[start + 3] = _MAGIC >> 8, _MAGIC & 255, WORDS, 0
        at = put_words(self.word, image, start + 4)
        crc = crc16(memoryview(image)[start:at])
        image[at], image[at + 1] = crc >> 8, crc & 255
        self.dirty = False

    def read(self, image, start):
        """Take the image at `start`: EMPTY (never written), WHOLE, or DAMAGED (then locked out)."""
        end = start + IMAGE_BYTES
        if not any(memoryview(image)[start:end]):
            return EMPTY
        whole = (image[start] << 8 | image[start + 1]) == _MAGIC and image[start + 2] == WORDS
        if not whole or crc16(memoryview(image)[start : end - 2]) != (image[end - 2] << 8 | image[end - 1]):
            self.word[LATCHED] = 1
            return DAMAGED
        take_words(image, start + 4, self.word)
        w = self.word
        if not self._sound():
            # A CRC of 16 bits lets one damage in 65536 by.
            for n in range(WORDS):
                w[n] = 0
            w[LATCHED] = 1
            return DAMAGED
        for n in range(TRIP_N, PRIOR_HEAD):
            w[n] &= COUNTER_MASK
        return WHOLE

    def _sound(self):
        """True when every word that is a count, or a place in something, can be one."""
        w = self.word
        for n in range(TRIP_N, PRIOR_HEAD):
            if not 0 <= w[n] < 1 << 30:
                return False
        for n in range(TRIPS):
            p = self.trip(n)
            if not (0 <= w[p] < len(elements.NUMBER) and 0 <= w[p + 1] < settings.MODULES_MAX):
                return False
            if not 0 <= w[p + 3] < len(MODES):
                return False
        if not (0 <= w[LATCHED] <= 1 and 0 <= w[PRIOR_HEAD] < PRIOR):
            return False
        for n in range(PRIOR):
            if not 0 <= w[self.prior(n) + 3] <= settings.MODULES_MAX:
                return False
        return True

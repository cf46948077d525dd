"""The line protocol, outward: catalogue of fields, and an encoder that fills fixed slots.

A line is `kind seq name=value ... *CRC` and LF, at most 240 bytes, fields always in the catalogue's order.
Lines wait in a ring of slots that the board drains when it can; when the ring is full the line is dropped
and counted, so a port that nobody reads costs the scan nothing.
"""

from array import array

from warden import text
from warden.crc import crc16_to

LINE_MAX = 240
SLOTS = 8
SEQ_MAX = 65535

# Types of field: a whole number, a bare word, lower-case hex, a comma list of numbers, quoted text.
INT, WORD, HEX, LIST, TEXT = "int", "word", "hex", "list", "text"

def __getattr__(name):
    """CATALOGUE, made when asked for: a board has no room to keep it."""
    if name != "CATALOGUE":
        raise AttributeError(name)
    from warden import table_fields

    return table_fields.catalogue()


def _starts():
    """For each kind, as bytes, all that its lines have besides values: b"kind | t=| i=| ..."."""
    from warden import table_fields

    kinds = []  # type: list
    starts = []  # type: list
    for line in text.lines(table_fields.ROWS):
        c = line.split(" ", 2)
        if not kinds or kinds[-1] != c[0]:
            kinds.append(c[0])
            starts.append(c[0] + " |")
        starts[-1] += " " + c[1] + "=|"
    return tuple(kinds), [s.encode() for s in starts]


KINDS, _STARTS = _starts()
text.let_go("table_fields")
(IDENT, MEAS, MODS, STATE, CHANGE, EVENT, COUNT, FIELD, SETTING, REPLY, TRIP, PRIOR) = range(len(KINDS))

_DIGITS = b"0123456789abcdef"


class Outbox:
    """A ring of SLOTS lines.  `open`, then one `put` for each field, then `close`."""

    def __init__(self):
        self.slots = [bytearray(LINE_MAX) for _ in range(SLOTS)]
        self.lengths = array("H", [0] * SLOTS)
        self.head = 0
        self.waiting = 0
        self.lost = 0
        self.seq = 0
        self._buf = self.slots[0]
        self._at = 0
        self._start = _STARTS[0]
        self._start_at = 0

    def open(self, kind):
        """Begin a line; False, and the line is counted lost, when every slot is taken."""
        if self.waiting == SLOTS:
            self.lost += 1
            # The number is used up all the same, so that a reader sees the gap.
            self.seq = self.seq + 1 if self.seq < SEQ_MAX else 0
            return False
        self._buf = self.slots[(self.head + self.waiting) % SLOTS]
        self._at = 0
        self._start = _STARTS[kind]
        self._start_at = 0
        self._name()
        self._int(self.seq)
        self.seq = self.seq + 1 if self.seq < SEQ_MAX else 0
        return True

    def put(self, value):
        """Next field, a whole number."""
        self._name()
        self._int(value)

    def put_hex(self, value):
        """Next field, a non-negative number in lower-case hex."""
        self._name()
        shift = 28
        while shift and not value >> shift & 15:
            shift -= 4
        while shift >= 0:
            self._buf[self._at] = _DIGITS[value >> shift & 15]
            self._at += 1
            shift -= 4

    def put_word(self, word):
        """Next field, a word as bytes."""
        self._name()
        self._raw(word)

    def put_text(self, text):
        """Next field, bytes in quotes, cut to what the line has room for."""
        self._name()
        buf = self._buf
        buf[self._at] = 34
        self._at += 1
        for b in text:
            if self._at >= LINE_MAX - 8:
                break
            buf[self._at] = b
            self._at += 1
        buf[self._at] = 34
        self._at += 1

    def put_list(self, values, n):
        """Next field, the first `n` of `values`."""
        self._name()
        for k in range(n):
            if k:
                self._buf[self._at] = 44
                self._at += 1
            self._int(values[k])

    def close(self):
        """End the line with its CRC and let it go."""
        buf = self._buf
        at = self._at
        crc = crc16_to(buf, at)
        buf[at] = 42
        for shift in (12, 8, 4, 0):
            at += 1
            buf[at] = _DIGITS[crc >> shift & 15]
        buf[at + 1] = 10
        self.lengths[(self.head + self.waiting) % SLOTS] = at + 2
        self.waiting += 1

    def drop_head(self):
        """The board has sent the line at `head`."""
        self.head = (self.head + 1) % SLOTS
        self.waiting -= 1

    def _name(self):
        """Copy the fixed text up to the next value."""
        buf = self._buf
        at = self._at
        start = self._start
        p = self._start_at
        b = start[p]
        while b != 124:
            buf[at] = b
            at += 1
            p += 1
            b = start[p]
        self._at = at
        self._start_at = p + 1

    def _raw(self, data):
        at = self._at
        n = len(data)
        self._buf[at : at + n] = data
        self._at = at + n

    def _int(self, value):
        buf = self._buf
        at = self._at
        if value < 0:
            buf[at] = 45
            at += 1
            value = -value
        if value < 10:
            buf[at] = 48 + value
            self._at = at + 1
            return
        n = 1
        bound = 10
        while value >= bound and n < 9:
            bound *= 10
            n += 1
        if value >= bound:
            n += 1
        at += n
        self._at = at
        while n:
            at -= 1
            rest = value // 10
            buf[at] = value - rest * 10 + 48  # this order: 48 + value could pass 2**30
            value = rest
            n -= 1

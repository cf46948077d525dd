"""The line protocol, outward: catalogue of fields, and an encoder that fills fixed slots.

A line is `kind seq name=value ... *CRC` and LF, at most 240 bytes, fields always in the catalogue's order.
Lines wait in a ring of slots that the board drains when it can; when the ring is full the line is dropped
and counted, so a port that nobody reads costs the scan nothing.
"""

from array import array

from warden.crc import crc16_to

LINE_MAX = 240
SLOTS = 16
SEQ_MAX = 65535

# Types of field: a whole number, a bare word, lower-case hex, a comma list of numbers, quoted text.
INT, WORD, HEX, LIST, TEXT = "int", "word", "hex", "list", "text"

# kind -> ((name, type, unit, meaning), ...).  Times `t` are the relay's own millisecond ticks, which wrap at 2**30.
CATALOGUE = (
    ("ident", (
        ("t", INT, "ms", "relay ticks"),
        ("fw", WORD, "", "firmware version"),
        ("proto", INT, "", "protocol version"),
        ("n", INT, "count", "modules"),
        ("boxes", LIST, "count", "modules in each box"),
        ("scan", INT, "ms", "nominal scan interval"),
        ("strap", INT, "flag", "bench strap fitted: power outputs held off"),
        ("cfg", HEX, "", "digest of the settings"),
        ("boots", INT, "count", "power-ups so far"),
    )),
    ("meas", (
        ("t", INT, "ms", "relay ticks"),
        ("i", INT, "mA", "string current, discharge positive"),
        ("u", INT, "mV", "string voltage at the string tap"),
        ("link", INT, "mV", "link voltage"),
        ("aux", INT, "mV", "aux supply voltage"),
        ("lo", INT, "module", "module with the lowest voltage, from 1"),
        ("lomv", INT, "mV", "its voltage"),
        ("hi", INT, "module", "module with the highest voltage, from 1"),
        ("himv", INT, "mV", "its voltage"),
        ("lim", INT, "permille", "power limit asked for"),
        ("iso", INT, "ohm/V", "isolation, ohms for each volt of string; 0 before the first measurement"),
    )),
    ("mods", (
        ("t", INT, "ms", "relay ticks"),
        ("med", INT, "mV", "median of the believed modules"),
        ("bad", HEX, "", "bit k set: module k+1 is not believed"),
        ("mv", LIST, "mV", "each module's voltage in string order"),
    )),
    ("state", (
        ("t", INT, "ms", "relay ticks"),
        ("mode", WORD, "", "mode"),
        ("out", HEX, "", "outputs that are on"),
        ("in", HEX, "", "inputs and facts the transition table reads"),
        ("up", LIST, "count", "operated rows by action: alarm, derate, nodrive, nocharge, staged, open"),
        ("dc", LIST, "0.1degC", "each box's temperature"),
    )),
    ("change", (
        ("t", INT, "ms", "relay ticks"),
        ("from", WORD, "", "mode left"),
        ("to", WORD, "", "mode entered"),
        ("why", WORD, "", "row of the transition table"),
    )),
    ("event", (
        ("t", INT, "ms", "relay ticks"),
        ("el", WORD, "", "element: device number"),
        ("stage", WORD, "", "stage of the element"),
        ("ix", INT, "", "module or box, from 1; 0 for the string"),
        ("on", INT, "flag", "1 operated, 0 released"),
        ("act", HEX, "", "what the stage asks for"),
        ("x", INT, "", "quantity at that moment, in the element's unit"),
    )),
    ("count", (
        ("t", INT, "ms", "relay ticks"),
        ("mahout", INT, "mAh", "charge taken from the string"),
        ("mahin", INT, "mAh", "charge put into the string"),
        ("whout", INT, "Wh", "energy taken from the string"),
        ("whin", INT, "Wh", "energy put into the string"),
        ("late", INT, "count", "late scans"),
        ("worst", INT, "ms", "longest time between scans since the last count"),
        ("lost", INT, "count", "lines dropped because the port was not read"),
        ("bad", INT, "count", "received lines refused"),
        ("ops", INT, "count", "main closings"),
        ("trips", INT, "count", "trips journalled"),
    )),
    ("field", (
        ("kind", WORD, "", "kind of line"),
        ("name", WORD, "", "field"),
        ("type", WORD, "", "int, word, hex, list or text"),
        ("unit", TEXT, "", "unit"),
        ("about", TEXT, "", "meaning"),
    )),
    ("setting", (
        ("name", WORD, "", "setting"),
        ("value", INT, "", "value in use"),
        ("low", INT, "", "lowest allowed"),
        ("high", INT, "", "highest allowed"),
        ("unit", TEXT, "", "unit"),
        ("about", TEXT, "", "meaning"),
    )),
    ("reply", (
        ("req", INT, "", "number of the request answered"),
        ("status", WORD, "", "ok or error"),
        ("why", WORD, "", "reason, or what was done"),
        ("value", INT, "", "value asked for, or 0"),
        ("digest", HEX, "", "digest of the settings, as they are or as they would be"),
    )),
    ("trip", (
        ("n", INT, "count", "number of the trip, oldest kept first"),
        ("el", WORD, "", "element: device number"),
        ("stage", WORD, "", "stage of the element"),
        ("ix", INT, "", "module or box, from 1; 0 for the string"),
        ("x", INT, "", "quantity at that moment, in the element's unit"),
        ("mode", WORD, "", "mode at that moment"),
        ("latched", INT, "flag", "1 while this trip holds the lockout"),
    )),
    ("prior", (
        ("at", INT, "ms", "time from the last trip, before is negative"),
        ("i", INT, "mA", "string current"),
        ("u", INT, "mV", "string voltage"),
        ("link", INT, "mV", "link voltage"),
        ("lo", INT, "module", "module with the lowest voltage, from 1"),
        ("lomv", INT, "mV", "its voltage"),
    )),
)  # fmt: skip

KINDS = tuple(kind for kind, _ in CATALOGUE)
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
        self._starts = [kind.encode() + b" " for kind in KINDS]
        self._names = [[b" " + f[0].encode() + b"=" for f in fields] for _, fields in CATALOGUE]
        self._buf = self.slots[0]
        self._at = 0
        self._field = 0
        self._now = self._names[0]

    def open(self, kind):
        """Begin a line; False, and the line is counted lost, when every slot is taken."""
        if self.waiting == SLOTS:
            self.lost += 1
            # The number is used up all the same, so that a reader sees the gap.
            self.seq = self.seq + 1 if self.seq < SEQ_MAX else 0
            return False
        self._buf = self.slots[(self.head + self.waiting) % SLOTS]
        self._at = 0
        self._field = 0
        self._now = self._names[kind]
        self._raw(self._starts[kind])
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
        self._raw(self._now[self._field])
        self._field += 1

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

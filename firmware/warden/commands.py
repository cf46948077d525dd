"""The line protocol, inward: `kind req name=value ... *CRC`, one reply to each whole command.

Anything may be read.  Settings change only at rest (or when the memory is bad and nothing could run), staged
first and applied on the digest of what would result.  Nothing here can close a contactor, and a lockout is
cleared only through the transition table, which asks for the cause to be gone and the key to be off.
"""

from array import array

from warden import elements, journal, records, settings, text
from warden.crc import crc16_to
from warden.modes import CLEARED, DWELT, KEY, LOCKOUT, REST
from warden.reporter import MODES_B

LINE_MAX = 96  # longest command
CHUNK = 64  # bytes taken from the board at a time
WRONG_MAX = 5  # wrong codes before codes are refused until power-up

# command, the fields it takes.  docs/protocol.md says what each does.
TABLE = (
    ("who", ""),
    ("get", "name"),
    ("set", "name value"),
    ("apply", "digest"),
    ("forget", ""),
    ("list", "what"),
    ("clear", "code"),
    ("service", ""),
)


class Commands:
    """Receives bytes from the board; keeps what is staged; answers in the outbox."""

    def __init__(self, relay):
        self.relay = relay
        self.outbox = relay.outbox
        self.chunk = bytearray(CHUNK)
        self.line = bytearray(LINE_MAX)
        self.chunk_n = self.chunk_at = 0  # bytes in `chunk`, and how many of them have been taken
        self.n = 0
        self.over = False  # the line being received is too long, or not ASCII
        self.refused = 0
        self.wrong = 0
        self.staged = None
        self.listing = -1  # what is being listed, and how far it is
        self.list_at = 0

    def serve(self):
        """Take waiting bytes, answer at most one command, list at most one line.  True if anything was done."""
        if self.listing >= 0:
            if self.outbox.waiting < records.SLOTS // 2:
                self._list_line()
            return True
        if self.chunk_at == self.chunk_n:
            self.chunk_at = 0
            self.chunk_n = self.relay.board.read(self.chunk)
            if not self.chunk_n:
                return False
        while self.chunk_at < self.chunk_n:
            b = self.chunk[self.chunk_at]
            self.chunk_at += 1
            if b == 10:
                answered = self._whole()
                self.n = 0
                self.over = False
                if answered:
                    return True  # the next command waits: replies find room, and listings aren't cut short
            elif self.n == LINE_MAX or not 32 <= b < 127:
                self.over = True
            else:
                self.line[self.n] = b
                self.n += 1
        return True

    def _whole(self):
        """A line has ended: answer it, or count it.  True when it was answered."""
        n = self.n
        if self.over or n < 8 or self.line[n - 5] != 42:
            self.refused += 1
            return False
        said = bytes(self.line[:n]).decode()
        try:
            if said[n - 4 :] != "%04x" % crc16_to(self.line, n - 5):
                raise ValueError
            words = said[: n - 5].split(" ")
            if not words[1].isdigit() or len(words[1]) > 6:
                raise ValueError
            req = int(words[1])
            fields = [w.split("=") for w in words[2:]]
            given = " ".join([f[0] if len(f) == 2 and f[0] else "=" for f in fields])
        except (ValueError, IndexError):
            self.refused += 1
            return False
        for name, takes in TABLE:
            if name == words[0]:
                if given != takes:
                    self._reply(req, b"error", b"fields", 0, 0)
                else:
                    getattr(self, "_" + name)(req, *[f[1] for f in fields])
                return True
        self._reply(req, b"error", b"unknown", 0, 0)
        return True

    def _reply(self, req, status, why, value, digest):
        out = self.outbox
        if not out.open(records.REPLY):
            return
        out.put(req)
        out.put_word(status)
        out.put_word(why)
        out.put(value)
        out.put_hex(digest)
        out.close()

    def _may_change(self):
        mode = self.relay.sequence.mode
        return not self.relay.powered() and (mode == REST or mode == LOCKOUT and self.relay.memory_bad)

    # -- commands ---------------------------------------------------------------------------------------

    def _who(self, req):
        self._reply(req, b"ok", b"who", 0, self.relay.cfg)
        self.relay.reporter.ident_due = True

    def _get(self, req, name):
        try:
            value = self.relay.values[settings.index_of(name)]
        except settings.SettingError:
            self._reply(req, b"error", b"name", 0, 0)
            return
        if name == "reset_code":
            value = 0  # a secret is set, never read
        self._reply(req, b"ok", b"get", value, self.relay.cfg)

    def _set(self, req, name, value):
        if not self._may_change():
            self._reply(req, b"error", b"not_at_rest", 0, 0)
            return
        try:
            index = settings.index_of(name)
        except settings.SettingError:
            self._reply(req, b"error", b"name", 0, 0)
            return
        n = settings.number_at(index)
        number = _whole_number(value)
        if number is None or not settings.LOW[n] <= number <= settings.HIGH[n]:
            self._reply(req, b"error", b"bounds", 0, 0)
            return
        if self.staged is None:
            self.staged = array("i", self.relay.values)
        self.staged[index] = number
        self._reply(req, b"ok", b"staged", number, settings.digest(self.staged))

    def _apply(self, req, digest):
        if not self._may_change():
            self._reply(req, b"error", b"not_at_rest", 0, 0)
            return
        if self.staged is None:
            self._reply(req, b"error", b"nothing", 0, 0)
            return
        would = settings.digest(self.staged)
        if digest != "%x" % would:
            self._reply(req, b"error", b"digest", 0, would)
            return
        try:
            self.relay.store(self.staged)
        except settings.SettingError as error:
            # Each value is within its bounds; together they are not allowed.
            name = error.key.split(".")[0]
            self._reply(req, b"error", b"order_" + name.encode(), 0, would)
            return
        self.staged = None
        self._reply(req, b"ok", b"applied", 0, self.relay.cfg)

    def _forget(self, req):
        self.staged = None
        self._reply(req, b"ok", b"forgotten", 0, self.relay.cfg)

    def _list(self, req, what):
        for n in range(3):
            if what == ("fields", "settings", "trips")[n]:
                if n < 2 and self.relay.board.frugal and self.relay.powered():
                    self._reply(req, b"error", b"not_at_rest", 0, 0)
                    return
                self.listing = n
                self.list_at = 0
                self._reply(req, b"ok", b"list", 0, self.relay.cfg)
                return
        self._reply(req, b"error", b"what", 0, 0)

    def _clear(self, req, code):
        relay = self.relay
        right = relay.values[settings.BASE["reset_code"]]
        why = b""
        if not right or self.wrong >= WRONG_MAX:
            why = b"forbidden"
        elif _whole_number(code) != right:
            self.wrong += 1
            why = b"code"
        elif relay.sequence.mode != LOCKOUT:
            why = b"not_locked"
        elif relay.permissives.bits & KEY:
            why = b"key_on"
        elif relay.elements.live or ~relay.word & (CLEARED | DWELT):
            why = b"cause_live"  # or gone for less than clear_ms: the tables would not let the lockout end
        if why:
            self._reply(req, b"error", why, 0, 0)
            return
        relay.asked = True
        self._reply(req, b"ok", b"asked", 0, 0)

    def _service(self, req):
        relay = self.relay
        if relay.powered() or relay.sequence.mode not in (REST, LOCKOUT):
            self._reply(req, b"error", b"not_at_rest", 0, 0)
        elif not relay.board.leave():
            self._reply(req, b"error", b"no_tool", 0, 0)
        else:
            self._reply(req, b"ok", b"leaving", 0, 0)

    # -- listings ---------------------------------------------------------------------------------------

    def _list_line(self):
        more = (self._list_field, self._list_setting, self._list_trip)[self.listing](self.list_at)
        self.list_at += 1
        if not more:
            self.listing = -1

    def _list_field(self, at):
        from warden import table_fields

        for line in text.lines(table_fields.ROWS):
            if not at:
                out = self.outbox
                if out.open(records.FIELD):
                    kind, name, form, unit, about = table_fields.field(line)
                    out.put_word(kind.encode())
                    out.put_word(name.encode())
                    out.put_word(form.encode())
                    out.put_text(unit.encode())
                    out.put_text(about.encode())
                    out.close()
                return True
            at -= 1
        text.let_go("table_fields")
        return False

    def _list_setting(self, at):
        if at >= settings.COUNT:
            return False
        n = settings.number_at(at)
        key = settings.key_of(at)
        out = self.outbox
        if out.open(records.SETTING):
            out.put_word(key.encode())
            out.put(0 if key == "reset_code" else self.relay.values[at])
            out.put(settings.LOW[n])
            out.put(settings.HIGH[n])
            out.close()
        return True

    def _list_trip(self, at):
        j = self.relay.journal
        w = j.word
        out = self.outbox
        kept = min(w[journal.TRIP_N], journal.TRIPS)
        if at < kept:
            n = w[journal.TRIP_N] - kept + at
            p = j.trip(n)
            if out.open(records.TRIP):
                out.put(n + 1)
                out.put_word(elements.NUMBER[w[p]])
                out.put_word(elements.STAGE[w[p]])
                out.put(0 if elements.WATCHES[w[p]] == elements.STRING else w[p + 1] + 1)
                out.put(w[p + 2])
                out.put_word(MODES_B[w[p + 3]])
                out.put(1 if w[journal.LATCHED] and at == kept - 1 else 0)
                out.close()
            return True
        at -= kept
        if not kept or not w[journal.LATCHED] or at >= journal.PRIOR:
            return False
        p = j.prior(at)
        if out.open(records.PRIOR):
            # The newest moment is AFTER intervals behind the trip once all are in.
            after = journal.AFTER - (j.left if j.left > 0 else 0)
            out.put((at - (journal.PRIOR - after)) * journal.PRIOR_MS)
            out.put(w[p])
            out.put(w[p + 1])
            out.put(w[p + 2])
            out.put(w[p + 3])
            out.put(w[p + 4])
            out.close()
        return True


def _whole_number(text):
    """A decimal number of at most nine digits, or None."""
    digits = text[1:] if text[:1] == "-" else text
    if not digits.isdigit() or len(digits) > 9:
        return None
    return int(text)

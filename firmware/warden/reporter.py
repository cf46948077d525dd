"""What there is to tell, and when: at most a line or two a scan, so that no scan is long.

Changes and events first, then replies (see commands.py), then measurements, state and counters as they fall due.
"""

from warden import PROTOCOL, VERSION, elements, journal, records
from warden.modes import MODES

_VERSION = VERSION.encode()
_MODES = [m.encode() for m in MODES]

_WHY = {}  # type: dict
CHANGES = 8  # mode changes waiting to be told

MODES_B = _MODES


class Reporter:
    """Turns the relay's state into lines in its outbox."""

    def __init__(self, relay):
        from warden import settings
        from warden.sequence import TRANSITIONS

        for row in TRANSITIONS:
            _WHY[row[4]] = row[4].encode()
        self.relay = relay
        self.outbox = relay.outbox
        self.meas_every_ms = relay.values[settings.BASE["meas_ms"]]
        self.state_every_ms = relay.values[settings.BASE["state_ms"]]
        self.meas_ms = 0
        self.mods_ms = self.meas_every_ms // 2
        self.state_ms = 0
        self.count_ms = self.state_every_ms // 2
        self.ident_due = True
        self.state_due = True
        self.change = [bytearray(CHANGES), bytearray(CHANGES)]
        self.change_why = [b""] * CHANGES
        self.change_n = 0

    def low(self):
        """Module with the lowest believed voltage, from 1; 0 before the first round."""
        sense = self.relay.sense
        return sense.order[0] + 1 if sense.median_mv else 0

    def low_mv(self):
        """Its voltage."""
        sense = self.relay.sense
        return sense.mv[sense.order[0]]

    def changed(self, was):
        """Remember that the mode changed from `was`."""
        self.state_due = True
        if self.change_n == CHANGES:
            self.outbox.lost += 1
            return
        sequence = self.relay.sequence
        self.change[0][self.change_n] = was
        self.change[1][self.change_n] = sequence.mode
        self.change_why[self.change_n] = _WHY[sequence.why]
        self.change_n += 1

    def tell(self, now_ms, dt_ms):
        """Make the lines due in this scan, few of them, the urgent first."""
        # By the time that passed: scans that come late have as much to tell as those on time.
        room = 1 + dt_ms // 50
        self.meas_ms += dt_ms
        self.mods_ms += dt_ms
        self.state_ms += dt_ms
        self.count_ms += dt_ms
        if self.ident_due:
            self.ident_due = False
            self.ident(now_ms)
            room -= 1
        while room > 0 and self.change_n:
            self._change(now_ms)
            room -= 1
        while room > 0 and self.relay.elements.event_n:
            self._event(now_ms)
            room -= 1
        if room > 0 and self.meas_ms >= self.meas_every_ms:
            self.meas_ms = self._next(self.meas_ms, self.meas_every_ms)
            self._meas(now_ms)
            room -= 1
        if room > 0 and self.mods_ms >= self.meas_every_ms:
            self.mods_ms = self._next(self.mods_ms, self.meas_every_ms)
            self._mods(now_ms)
            room -= 1
        if room > 0 and (self.state_due or self.state_ms >= self.state_every_ms):
            self.state_ms = 0 if self.state_due else self._next(self.state_ms, self.state_every_ms)
            self.state_due = False
            self._state(now_ms)
            room -= 1
        if room > 0 and self.count_ms >= self.state_every_ms:
            self.count_ms = self._next(self.count_ms, self.state_every_ms)
            self._count(now_ms)

    def _next(self, passed_ms, every_ms):
        """What is left over once one interval is taken off; missed intervals are not made up."""
        return passed_ms - every_ms if passed_ms < 2 * every_ms else 0

    def ident(self, now_ms):
        """The identity line."""
        relay, out = self.relay, self.outbox
        if not out.open(records.IDENT):
            return
        out.put(now_ms)
        out.put_word(_VERSION)
        out.put(PROTOCOL)
        out.put(relay.sense.n)
        out.put_list(relay.sense.box_n, relay.sense.boxes)
        out.put(relay.board.scan_ms)
        out.put(relay.board.strap)
        out.put_hex(relay.cfg)
        out.put(relay.journal.word[journal.BOOTS])
        out.close()

    def _meas(self, now_ms):
        out, sense = self.outbox, self.relay.sense
        if not out.open(records.MEAS):
            return
        high = sense.order[sense.believed_n - 1] if sense.believed_n else 0
        out.put(now_ms)
        out.put(sense.ma)
        out.put(sense.string_mv)
        out.put(sense.link_mv)
        out.put(sense.aux_mv)
        out.put(self.low())
        out.put(self.low_mv())
        out.put(high + 1 if sense.median_mv else 0)
        out.put(sense.mv[high])
        out.put(self.relay.board.limit_permille)
        out.put(sense.string[elements.Q_ISO])
        out.close()

    def _mods(self, now_ms):
        out, sense = self.outbox, self.relay.sense
        if not out.open(records.MODS):
            return
        out.put(now_ms)
        out.put(sense.median_mv)
        out.put_hex(sense.bad)
        out.put_list(sense.shown_mv(), sense.n)
        out.close()

    def _state(self, now_ms):
        out, relay = self.outbox, self.relay
        if not out.open(records.STATE):
            return
        out.put(now_ms)
        out.put_word(_MODES[relay.sequence.mode])
        out.put_hex(relay.board.out_bits)
        out.put_hex(relay.word)
        out.put_list(relay.elements.up, 6)
        out.put_list(relay.sense.box_dc, relay.sense.boxes)
        out.close()

    def _count(self, now_ms):
        out, relay = self.outbox, self.relay
        if not out.open(records.COUNT):
            return
        w = relay.journal.word
        out.put(now_ms)
        out.put(w[journal.MAH_OUT])
        out.put(w[journal.MAH_IN])
        out.put(w[journal.WH_OUT])
        out.put(w[journal.WH_IN])
        out.put(relay.late_n)
        out.put(relay.worst_ms)
        out.put(out.lost)
        out.put(relay.commands.refused)
        out.put(w[journal.OPS])
        out.put(w[journal.TRIP_N])
        out.close()
        relay.worst_ms = 0

    def _change(self, now_ms):
        out = self.outbox
        if out.open(records.CHANGE):
            out.put(now_ms)
            out.put_word(_MODES[self.change[0][0]])
            out.put_word(_MODES[self.change[1][0]])
            out.put_word(self.change_why[0])
            out.close()
        self.change_n -= 1
        for j in range(self.change_n):
            self.change[0][j] = self.change[0][j + 1]
            self.change[1][j] = self.change[1][j + 1]
            self.change_why[j] = self.change_why[j + 1]

    def _event(self, now_ms):
        out, e = self.outbox, self.relay.elements
        at = e.event_head
        row = e.event[0][at]
        e.event_head = (at + 1) % elements.EVENTS
        e.event_n -= 1
        if not out.open(records.EVENT):
            return
        out.put(now_ms)
        out.put_word(elements.NUMBER[row])
        out.put_word(elements.STAGE[row])
        out.put(0 if elements.WATCHES[row] == elements.STRING else e.event[1][at] + 1)
        out.put(e.event[2][at])
        out.put_hex(elements.ACTION[row])
        out.put(e.event[3][at])
        out.close()

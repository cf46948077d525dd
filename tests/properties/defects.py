"""Defects put into the relay on purpose: each must be caught, by a rule that is about it.

name -> (how to make it, history that shows it, rules any of which may say so).
"""

from warden import commands, elements, journal, modes, relay, sense, sequence, settings
from warden.elements import QM_COMP, QM_RAW

ROWS = {row[:2]: n for n, row in enumerate(elements.TABLE)}
AWAKE, INDEX, BASE, QUANTITY, SIGN, PICKUP, DROPOUT, DELAY = range(8)


def after(owner, name, change):
    """`change(self, *args)` is called after the method."""

    def put(patch):
        original = getattr(owner, name)

        def changed(self, *args):
            result = original(self, *args)
            change(self, *args)
            return result

        patch.setattr(owner, name, changed)

    return put


def row(element, stage, change):
    """Every use of this row of the element table is `change`d; None takes it away."""
    index = ROWS[element, stage]

    def put(self, _values):
        for group in self.rows:
            for n, cells in enumerate(group):
                if cells[INDEX] == index:
                    group[n] = cells if change is None else change(cells)
            if change is None:
                group[:] = [cells for cells in group if cells[INDEX] != index]

    return after(elements.Elements, "configure", put)


def cell(at, value):
    """A change of one cell: a number, or a function of what was there."""

    def change(cells):
        cells = list(cells)
        cells[at] = value(cells) if callable(value) else value
        return tuple(cells)

    return change


def action(element, stage, without):
    """The row no longer asks for this."""

    def put(patch):
        column = bytearray(elements.ACTION)
        column[ROWS[element, stage]] &= ~without
        patch.setattr(elements, "ACTION", bytes(column))

    return put


def word(on=0, off=0, mode=None):
    """Facts always or never true, in one mode or in all."""

    def put(self, *_):
        if mode is None or self.sequence.mode == mode:
            self.word = (self.word | on) & ~off

    return after(relay.Relay, "_assemble", put)


def value(name, to):
    """A method that always answers this."""
    owner, _, method = name.partition(".")
    where = {"Commands": commands.Commands, "Journal": journal.Journal}[owner]
    return lambda patch: patch.setattr(where, method, lambda *_: to)


def slow(element, stage):
    """Ten times the delay."""
    return row(element, stage, cell(DELAY, lambda cells: 10 * cells[DELAY] + 200))


def shifted(patch):
    """One channel of the multiplexer gives its neighbour's counts."""
    original = sense.Sense.sample

    def sample(self, counts, k, absent):
        if k != 6:
            return original(self, counts, k, absent)
        was, counts[6] = counts[6], counts[7]
        try:
            return original(self, counts, k, absent)
        finally:
            counts[6] = was

    patch.setattr(sense.Sense, "sample", sample)


def unknown_releases(patch):
    """A reading that can't be believed forgets what was being timed."""
    original = elements.Elements.evaluate

    def evaluate(self, group, k, x, known, dt_ms):
        for cells in self.rows[group]:
            at = cells[BASE] + k
            if not known >> cells[QUANTITY] & 1 and self.state[at] == elements.PICKED:
                self._release(cells[INDEX], at, k, 0)
        original(self, group, k, x, known, dt_ms)

    patch.setattr(elements.Elements, "evaluate", evaluate)


def wrap_is_late(patch):
    """A clock that wraps is taken for one that went back."""
    original = relay.Relay._time

    def _time(self, now_ms):
        late = 0 <= now_ms < self.last_ms
        dt_ms = original(self, now_ms)
        if late:
            self.late_score = self.late_most
            self.sense.string[elements.Q_LATE] = self.late_most
        return dt_ms

    patch.setattr(relay.Relay, "_time", _time)


def never_cools(patch):
    """The I2t is never given back."""
    original = sense.Sense._i2t

    def _i2t(self, away_ma, dt_ms):
        original(self, max(away_ma, 1000 * self.cont_a), dt_ms)

    patch.setattr(sense.Sense, "_i2t", _i2t)


def enable_stays(self, _word):
    if self.mode in (modes.DRIVE, modes.SHED):
        self.outputs |= modes.ENABLE


def contact_ignored(self, _word):
    if self.mode in (modes.CHARGE, modes.REST) and not _word & modes.UNPLUG:
        self.outputs |= modes.CHARGER


def on_in_boot(self, _word):
    if self.mode == modes.BOOT:
        self.outputs |= modes.PRE


def any_settings(patch):
    """Damaged settings are replaced by defaults without a word."""
    original = settings.unpack
    patch.setattr(settings, "unpack", lambda image: original(image) or settings.defaults())


def latch_lost(self, _board):
    self.journal.clear()


def looser(name, to):
    """A number of the relay's own configuration."""
    return after(relay.Relay, "configure", lambda self, _values: setattr(self, name, to))


DEFECTS = {
    "27 floor ten times slower": (slow("27", "floor"), "floor under load", "5.1"),
    "27 time ten times slower": (slow("27", "time"), "flat by time", "5.2"),
    "27 floor on the compensated voltage": (row("27", "floor", cell(QUANTITY, QM_COMP)), "floor under load", "5.1"),
    "27 time on the voltage as it is": (row("27", "time", cell(QUANTITY, QM_RAW)), "sag", "5.3"),
    "27 at rest forbids nothing": (action("27", "rest", modes.NODRIVE), "flat at rest", "5.4"),
    "27 does not derate": (action("27", "derate", modes.DERATE), "flat by time", "4.4"),
    "27X dropout is its pickup": (
        row("27X", "alarm", cell(DROPOUT, lambda cells: cells[PICKUP] - 1)), "aux", "10.4"),
    "27X trip gone": (row("27X", "trip", None), "aux", "27X.1"),
    "49 ten times slower": (slow("49", "trip"), "heat", "49.1"),
    "49C forbids nothing": (action("49C", "cold", modes.NOCHARGE), "heat", "49.2"),
    "59 high gone": (row("59", "high", None), "high", "59.1"),
    "60 ten times slower": (slow("60", "alarm"), "balance", "60.1"),
    "64 on charge gone": (row("64", "charge", None), "isolation", "64.1"),
    "64 forbids no start": (action("64", "block", modes.NODRIVE | modes.NOCHARGE), "isolation", "64.2"),
    "emergency stop 50 ms slower": (row("69", "estop", cell(DELAY, 50)), "loops in drive", "69.1"),
    "crash waits for the current": (row("69", "crash", cell(DELAY, 30)), "loops in drive", "69.2"),
    "interlock gone": (row("69", "interlock", None), "loops in drive", "69.3"),
    "plug seen in drive gone": (row("69", "plug", None), "loops in drive", "2.3"),
    "weld gone": (row("72", "open", None), "weld", "72.1"),
    "not closed gone": (row("72", "close", None), "does not close", "72.2"),
    "chatter gone": (row("72", "chatter", None), "does not close", "72.3"),
    "76 instantaneous gone": (row("76", "inst", None), "overcurrent", "76.1"),
    "76 time three times too generous": (
        after(sense.Sense, "configure", lambda self, _: setattr(self, "a2s", 3 * self.a2s)), "overcurrent", "76.2"),
    "76 time never cools": (never_cools, "hills", "0.3"),
    "48 shape gone": (row("48", "shape", None), "precharge", "48.1 3.2"),
    "48 slow gone": (row("48", "slow", None), "precharge", "3.2"),
    "main closes at half the string": (looser("pre_band", 500), "a day", "3.1"),
    "open lead: alarm late": (slow("M1", "alarm"), "leads", "6.1 4.4"),
    "open lead: trip late": (slow("M1", "trip"), "leads", "6.2"),
    "silent head forbids nothing": (action("M6", "alarm", modes.NODRIVE | modes.NOCHARGE), "heads", "6.3"),
    "unknown releases a timer": (unknown_releases, "heads", "5.1"),
    "one channel shifted": (shifted, "a day", "0.3"),
    "a latch is lost with power": (after(relay.Relay, "__init__", latch_lost), "lockout and power", "7.2"),
    "a trip is not journalled": (value("Journal.latch", None), "lockout and power", "7.2 7.3"),
    "reset with the key on": (word(off=modes.KEY, mode=modes.LOCKOUT), "reset held", "7.1"),
    "reset as soon as pressed": (word(on=modes.CLEARED), "reset held", "7.1"),
    "a held reset counts": (
        after(relay.Relay, "_changed", lambda self, _was: setattr(self, "released", True)), "reset held", "7.1"),
    "unplug hold ignored": (word(on=modes.HELD), "plug then start", "2.2"),
    "an old press starts": (
        after(relay.Relay, "_changed", lambda self, _was: setattr(self, "start_open", True)),
        "start switch welded", "9.3"),
    "link taken for dead": (word(on=modes.LINK_DEAD), "plug at once", "2.4"),
    "shed never ends": (word(off=modes.LOW_CURRENT | modes.WAITED, mode=modes.SHED), "stop under load", "4.1"),
    "shed does not wait": (word(on=modes.WAITED, mode=modes.SHED), "stop under load", "4.2"),
    "enable stays on while shedding": (
        after(sequence.Sequence, "drive_outputs", enable_stays), "stop under load", "1.3 4.3 4.6"),
    "limit lifted at once": (looser("limit_up", 20000), "slow limit", "4.5"),
    "limit kept while shedding": (
        lambda patch: patch.setattr(relay, "LIMITED", (*relay.LIMITED, modes.SHED)), "stop under load", "1.4 4.3"),
    "charger on with the contact closed": (
        after(sequence.Sequence, "drive_outputs", contact_ignored), "contact closes on charge", "2.5 2.4 0.3 7.4"),
    "closing limit gone": (word(on=modes.MAY_CLOSE), "restarts", "10.1"),
    "dwell gone": (word(on=modes.DWELT), "hurried", "10.2"),
    "late scans do not trip": (row("M10", "trip", None), "late", "8.1"),
    "late scans are not told": (row("M10", "alarm", None), "late", "8.2"),
    "the wrap is taken for a late scan": (wrap_is_late, "power on", "0.3"),
    "settings change in drive": (value("Commands._may_change", True), "commands", "9.1"),
    "a stuck button is nothing": (row("M12", "button", None), "start switch welded", "M12.1"),
    "damaged settings run": (any_settings, "damaged settings", "1.2"),
    "precharge on from reset": (after(sequence.Sequence, "drive_outputs", on_in_boot), "power on", "1.1"),
}  # fmt: skip

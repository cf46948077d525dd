"""What every board on MicroPython's `machine` has in common; boards/bench.py describes the interface to the relay.

A board file gives the pins (one table), the sense heads, the discretes and where a few bits outlive a reset.  This
file makes of it: pins that are safe before they are outputs, a scan clock, a watchdog that only a completed healthy
scan feeds, a memory that is never written while a power output is on, and a serial line that never waits.
"""

import gc
import time
from array import array

import machine

from boards.port import Port
from boards.store import EMPTY, WHOLE, Files, Store
from warden import journal, settings
from warden.modes import MAINAUX, POWER, STRAP
from warden.sense import COUNTS, LOWER, UPPER

SCAN_MS = 10
ROUND_MS = 100  # every module at least this often
WATCHDOG_MS = 2000  # longer than the longest usual save; what a hang may cost is the `alive` line's to bound
AGAINST_SCANS = 5  # in a row with a driver on that was told to be off: one may be a driver that still lets go
STARTS_MAX = 4  # starts in a row, none with GOOD_MS of good scans, after which the relay stays off
GOOD_MS = 60000
DATA = "/data"  # where settings and journal are kept
TIDY_MS = 2000  # at rest, the heap is tidied this often at the most
COMMAND_BYTES = 1024  # taken from the wire between two tidyings while a power output is on; more waits until rest
NV_BYTES = settings.IMAGE_BYTES + journal.IMAGE_BYTES
SETTLE_US = 500  # from switching the loops' supply to a settled reading
TICKS = 0x3FFFFFFF

# Notes that outlive a reset, see `notes`.
NOTE_STARTS, NOTE_SERVICE = 0, 1


class BoardFault(Exception):
    """The board itself can't be trusted: every output is made safe, then the board resets."""


def make_pins(table):
    """Pins by name from rows of (name, GPIO, direction, safe level, meaning): the level before the direction."""
    made = {}
    for name, gpio, direction, safe, _meaning in table:
        if direction == "out":
            pin = machine.Pin(gpio, value=safe, mode=machine.Pin.OUT)
        elif direction == "in":
            pin = machine.Pin(gpio, machine.Pin.IN, machine.Pin.PULL_UP if safe else machine.Pin.PULL_DOWN)
        else:
            continue  # a bus or a timer takes it
        made[name] = pin
    return made


class Board:
    """A relay's board.  A board file fills in what is marked so."""

    PINS = ()  # type: tuple  # (name, GPIO, direction, safe level, meaning)
    NAME = "board"
    frugal = True  # heap that is used up while driving would have to be collected while driving


    def __init__(self):
        # First of all, before anything that can fail: every output at its safe level.
        self.pins = make_pins(self.PINS)
        self.relays = [(bit, self.pins[name]) for name, bit in self.OUTPUTS]
        self.cause = machine.reset_cause()
        self.strap = 0 if self.pins["strap"].value() else 1
        self.counts = array("H", [0] * COUNTS)
        self.nv = bytearray(NV_BYTES)
        self.kept = [b"", b""]  # settings and journal as they are on the disk
        self.scan_ms = SCAN_MS
        self.now_ms = 0
        self.discretes = 0
        self.stuck = 0  # inputs that read closed with their supply off
        self.first = 0
        self.fresh_n = 0
        self.absent = 0
        self.out_bits = 0
        self.limit_permille = 0
        self.shown_bits = 0  # what is on the pins
        self.shown_limit = -1
        self.drove = False
        self.inputs_good = False
        self.inputs_raw = self.drivers_on = 0
        self.against_n = 0
        self.leaving = False
        self.good_ms = 0
        self.due = self.tidied = time.ticks_ms()
        self.since_tidy = 0
        self.watchdog = None  # started by the first wait
        self.tap = array("H")  # the taps that were read last, see read_head
        self.begin()
        self.port = Port()
        self.store = Store(Files(DATA))

    # -- what a board file gives ------------------------------------------------------------------------

    OUTPUTS = ()  # type: tuple  # (pin name, bit)

    def begin(self):
        """Make buses and heads."""
        raise NotImplementedError

    def read_inputs(self):
        """Fill `inputs_good` (False when they can't be trusted), `inputs_raw` (but the strap) and `drivers_on`."""
        raise NotImplementedError

    def read_scalars(self):
        """Current, string, link, aux and isolation into `counts`."""
        raise NotImplementedError

    def read_head(self, head, first_tap, taps):
        """Taps first_tap to first_tap + taps - 1 of a head (tap 0: its ground) into `tap`; False if it is not there."""
        raise NotImplementedError

    def read_box(self, head):
        """Probe and reference of a head into `counts`."""
        raise NotImplementedError

    def set_limit(self, permille):
        """The power limit, to whoever obeys it."""
        raise NotImplementedError

    def note(self, n):
        """A small number (0 to 255) kept over a reset, 0 after power-up."""
        raise NotImplementedError

    def set_note(self, n, value):
        """Keep it."""
        raise NotImplementedError

    # -- before the relay -------------------------------------------------------------------------------

    def power_up(self):
        """Take what outlived power, and look at the inputs.  The watchdog starts with the first wait."""
        self.load()
        self.test_inputs()

    def names(self):
        """Names of the images: settings of another layout are another image, so a rollback finds its own."""
        return "settings-%04x" % settings.LAYOUT, "journal"

    def load(self):
        """The images into `nv`.  One that is damaged is handed over as such, never as if there had been none."""
        at = 0
        for n in range(2):
            size = (settings.IMAGE_BYTES, journal.IMAGE_BYTES)[n]
            state, image = self.store.read(self.names()[n])
            if state == WHOLE and len(image) == size:
                self.nv[at : at + size] = image
                self.kept[n] = image
            elif state != EMPTY:
                for i in range(size):
                    self.nv[at + i] = 255
            at += size
        self.layout()

    def layout(self):
        """Which head and tap each module is at, from the settings.  At rest only."""
        values = settings.unpack(self.nv) or settings.defaults()
        base = settings.BASE
        self.n = values[base["n_modules"]]
        self.head_of = bytearray(self.n)
        self.tap_of = bytearray(self.n)
        k = 0
        self.boxes = 0
        for b in range(settings.BOXES_MAX):
            here = values[base["box_modules"] + b]
            for j in range(here):
                self.head_of[k], self.tap_of[k] = b, j + 1
                k += 1
            if here:
                self.boxes = b + 1
        self.fresh = (self.n * SCAN_MS + ROUND_MS - 1) // ROUND_MS
        self.first = 0
        self.box = 0

    def test_inputs(self):
        """Stuck-at test: with the supply of the loops off, every input must read open.

        One that does not is held open from then on, which is its safe state, but for the contactor's own contact:
        that one is safe when it reads closed.
        """
        feed = self.pins["feed"]
        feed(0)
        time.sleep_us(SETTLE_US)
        self.read_inputs()
        good, raw = self.inputs_good, self.inputs_raw
        feed(1)
        time.sleep_us(SETTLE_US)
        self.stuck = raw if good else 0
        if self.stuck:
            self.port.say("inputs stuck closed: %x" % self.stuck)

    # -- the scan ---------------------------------------------------------------------------------------

    def wait(self):
        """Feed the watchdog for the scan that is done, wait for the next, sample.  False when there is none."""
        if self.leaving:
            return False
        now = time.ticks_ms()
        if self.drove and self.inputs_good:
            self.watchdog.feed()  # type: ignore[union-attr]
            self._good(now)
        self.drove = False
        port = self.port
        port.service()
        if self.watchdog is None:
            self.watchdog = machine.WDT(timeout=WATCHDOG_MS)
            self.due = now
        else:
            self.due = time.ticks_add(self.due, SCAN_MS)
            if time.ticks_diff(now, self.due) > SCAN_MS:
                self.due = now  # no making up for what was missed: the relay sees that it came late
        left = time.ticks_diff(self.due, time.ticks_ms())
        while left > 0:
            if left > 1:
                time.sleep_ms(1)
            port.service()
            left = time.ticks_diff(self.due, time.ticks_ms())
        self.now_ms = time.ticks_ms() & TICKS  # type: ignore[operator]
        self._sample()
        return True

    def _good(self, now):
        """After enough good scans the starts before them are forgiven."""
        if self.good_ms < GOOD_MS:
            self.good_ms += SCAN_MS
            if self.good_ms >= GOOD_MS:
                self.set_note(NOTE_STARTS, 0)

    def _sample(self):
        self.read_inputs()
        raw = self.inputs_raw if self.inputs_good else 0
        self.discretes = raw & ~(self.stuck & ~MAINAUX) | (STRAP if self.strap else 0)
        against = self.drivers_on & ~self.shown_bits if self.inputs_good else 0
        self.against_n = self.against_n + 1 if against else 0
        if self.against_n > AGAINST_SCANS:
            raise BoardFault("driver on against its command: %x" % against)
        self.read_scalars()
        self.first = (self.first + self.fresh_n) % self.n
        self.fresh_n = self.fresh
        self._taps()
        b = self.box
        self.box = b + 1 if b + 1 < self.boxes else 0
        self.read_box(b)

    def _taps(self):
        """The modules whose turn it is: runs of taps in one head, each tap read once for the two modules it parts."""
        k, left = self.first, self.fresh_n
        while left:
            head, tap = self.head_of[k], self.tap_of[k]
            run = 1
            while run < left and k + run < self.n and self.head_of[k + run] == head:
                run += 1
            if self.read_head(head, tap - 1, run + 1):
                self.absent &= ~(1 << head)
            else:
                self.absent |= 1 << head
            for j in range(run):
                self.counts[UPPER + k + j] = self.tap[j + 1]
                self.counts[LOWER + k + j] = self.tap[j]
            left -= run
            k += run
            if k == self.n:
                k = 0

    def drive(self):
        """Outputs to the pins: what goes off before what goes on.  Part of the scan: no heap."""
        bits = self.out_bits
        if self.strap:
            bits &= ~POWER
        if bits != self.shown_bits:
            for bit, pin in self.relays:
                if not bits & bit:
                    pin(0)
            for bit, pin in self.relays:
                if bits & bit:
                    pin(1)
            self.shown_bits = bits
        if self.limit_permille != self.shown_limit:
            self.shown_limit = self.limit_permille
            self.set_limit(self.limit_permille)
        if self.inputs_good:
            self.pins["alive"].toggle()
        self.drove = True

    # -- outside the scan -------------------------------------------------------------------------------

    def read(self, buf):
        """Bytes from the wire.  While a power output is on, only as many as can't fill the heap."""
        if self.since_tidy > COMMAND_BYTES and self.shown_bits & POWER:
            return 0
        n = self.port.read(buf)
        self.since_tidy += n
        return n

    def answer(self, outbox):
        """Hand the lines on, and tidy the heap when it is time; True when that took its time."""
        self.port.take_lines(outbox)
        if self.leaving:  # and so at rest: the reply goes out, however long it takes
            self.port.flush()
            self.port.take_lines(outbox)
        if self.shown_bits & POWER or not self.since_tidy:
            return False
        if time.ticks_diff(time.ticks_ms(), self.tidied) < TIDY_MS:
            return False
        self.tidied = time.ticks_ms()
        self.since_tidy = 0
        gc.collect()
        return True

    def keep(self):
        """Make `nv` safe.  Never while a power output is on: an erase stops everything for tens of milliseconds."""
        if (self.shown_bits | self.out_bits) & POWER:
            raise BoardFault("a save was asked for while a power output is on")
        size = settings.IMAGE_BYTES
        new = bytes(self.nv[:size]), bytes(self.nv[size:])
        for n in range(2):
            if new[n] != self.kept[n]:
                self.store.save(self.names()[n], new[n])
                self.kept[n] = new[n]
                if n == 0:
                    self.layout()
        self.since_tidy += 1

    def leave(self):
        """Asked to make way for a tool: at the next wait the relay ends, and the board starts anew without it."""
        self.set_note(NOTE_SERVICE, 1)
        self.leaving = True
        return True

    def safe(self):
        """Every output at its safe level, at once, whatever state the rest is in."""
        for name, _gpio, direction, level, _meaning in self.PINS:
            if direction == "out":
                self.pins[name](level)
        self.out_bits = self.shown_bits = 0
        self.set_limit(0)

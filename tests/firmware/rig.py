"""A relay on a table: a healthy pack of plain numbers, so that a test can change one thing at a time.

Runs under CPython and MicroPython alike (the interpreter tests load it too), so it uses only what both have.
"""

from boards.bench import Board
from warden import modes, relay, settings
from warden.modes import CRASH, ESTOP, INTERLOCK, KEY, MAIN, MAINAUX, PEDAL, POWER, PRE, SERVICE, START, UNPLUG
from warden.modes import RESET as RESET_BIT  # noqa: F401 - for stories

HEALTHY = UNPLUG | INTERLOCK | ESTOP | CRASH | SERVICE | PEDAL
START_MS = (1 << 30) - 1 - 4000  # so that the clock wraps while a test drives


def image(**changes):
    """A settings image with `changes` from the defaults; a name with an index as name__3."""
    values = settings.defaults()
    for key, value in changes.items():
        values[settings.index_of(key.replace("__", "."))] = value
    settings.check(values)
    out = bytearray(settings.IMAGE_BYTES)
    settings.pack(values, out)
    return out


def pack_of(n):
    """Settings that say the string has n modules, up to 6 to a box."""
    changes = {"n_modules": n}
    for b in range(6):
        changes["box_modules__%d" % b] = min(4, max(0, n - 4 * b))
    return changes


class Rig:
    """A relay, its board, and the world's numbers: `mv[k]`, `ma`, `aux_mv`, `temp_counts[b]`, `inputs`."""

    def __init__(self, nv=None, **changes):
        self.board = Board()
        if nv is None:
            im = image(**changes)
            self.board.nv[: len(im)] = im
        else:
            self.board.nv[:] = nv
        self.inputs = HEALTHY
        self.now = START_MS
        self.step_ms = 10
        self.ma = 0
        self.aux_mv = 12900
        self.link_mv = 0
        self.precharge_ms = 220
        self.main_works = True  # the contactor follows its coil
        self.main_stuck = False  # welded
        self.lines = b""
        self.absent = 0
        self.wobble = 0
        self.boot()
        n = self.relay.sense.n
        self.box_starts = bytes(self.relay.sense.first_of_box)  # the wiring: it stays, whatever the settings become
        self.mv = [12650] * n
        self.tap_open = [False] * n
        self.string_off_mv = 0
        self.temp_counts = [32768] * 6
        self.ref_counts = [32768] * 6
        self.iso = None  # (pos mV, neg mV) or healthy

    def boot(self):
        """Power up: a new relay on the memory as it is."""
        nv = self.board.nv
        self.board = Board()
        self.board.nv[:] = nv
        self.relay = relay.Relay(self.board)
        self.first = 0

    @property
    def mode(self):
        return modes.MODES[self.relay.sequence.mode]

    def string_mv(self):
        total = 0
        for v in self.mv:
            total += v
        return total

    def world(self):
        """The board's buffers for this scan."""
        board = self.board
        counts = board.counts
        n = len(self.mv)
        at = 0
        low = 0
        for k in range(n):
            if self.box_starts[k]:
                low = at = 0
            at += self.mv[k]
            counts[24 + k] = low
            # A few counts of noise, so that nothing looks frozen.
            self.wobble = (self.wobble * 61 + 17) % 1021
            low = 0 if self.tap_open[k] else max(0, at // 2 + self.wobble % 5)
            counts[k] = low
        whole = self.string_mv()
        if board.out_bits & PRE and not board.out_bits & MAIN:
            self.link_mv += (whole - self.link_mv) * self.step_ms // self.precharge_ms
        closed = self.main_stuck or (board.out_bits & MAIN and self.main_works)
        if closed:
            self.link_mv = whole
            self.inputs |= MAINAUX
        else:
            self.inputs &= ~MAINAUX
            if not board.out_bits & PRE:
                self.link_mv -= self.link_mv * self.step_ms // 8000
        counts[48] = max(0, whole + self.string_off_mv) // 6
        counts[49] = max(0, self.link_mv) // 6
        counts[50] = 32768 + self.ma // 16
        counts[51] = self.aux_mv * 16 // 5
        for b in range(6):
            counts[52 + b] = self.temp_counts[b]
            counts[58 + b] = self.ref_counts[b]
        self._bridge(counts, whole)
        board.first = self.first
        # All modules that a scan of this length must see, as boards do.
        board.fresh_n = min(n, max(1, -(-n * self.step_ms // 100)))
        self.first = (self.first + board.fresh_n) % n
        board.discretes = self.inputs
        board.absent = self.absent
        board.scan_ms = self.step_ms

    def _bridge(self, counts, whole):
        """Two megohms each side and the leaks in `iso` (kohm each side), the test resistor where it is switched."""
        pos_k, neg_k = self.iso if self.iso else (100000, 100000)
        pos = 1 / 2000 + 1 / pos_k + (1 / 100 if self.board.out_bits & 256 else 0)
        neg = 1 / 2000 + 1 / neg_k + (1 / 100 if self.board.out_bits & 512 else 0)
        counts[64] = int(whole * neg / (pos + neg)) // 6
        counts[65] = int(whole * pos / (pos + neg)) // 6

    def scan(self, late_ms=0):
        """One scan, then what the main loop does after it."""
        self.world()
        self.now = (self.now + self.step_ms + late_ms) & 0x3FFFFFFF
        self.relay.scan(self.now)
        self.relay.serve()
        self.relay.idle()
        self.lines += self.board.take_lines(self.relay.outbox)

    def run(self, ms):
        """Scan for `ms`."""
        for _ in range(ms // self.step_ms):
            self.scan()

    def until(self, mode, limit_ms=10000):
        """Scan until the mode is `mode`; how long it took.  AssertionError when it never is."""
        took = 0
        while self.mode != mode:
            self.scan()
            took += self.step_ms
            assert took <= limit_ms, "still %s after %d ms, wanted %s" % (self.mode, limit_ms, mode)
        return took

    def drive(self, ma=0):
        """From rest into drive, the way a driver does it."""
        self.until("rest")
        self.run(4000)
        self.inputs |= KEY | START
        self.until("drive")
        self.inputs &= ~START
        self.run(300)
        self.ma = ma
        self.run(300)

    def charge(self):
        """From rest into charge: plug in."""
        self.until("rest")
        self.run(1000)
        self.inputs &= ~UNPLUG
        self.until("charge", 60000)
        self.ma = -13000
        self.run(1000)

    def powered(self):
        return self.board.out_bits & POWER

    def send(self, text):
        """A command with its CRC."""
        from warden.crc import crc16

        self.give(("%s*%04x\n" % (text, crc16(text.encode()))).encode())

    def give(self, data):
        """Bytes arriving on the serial line."""
        self.board.give(data)

    def told(self, kind, **wanted):
        """Fields of each line of `kind` whose fields have these values (as text)."""
        out = []
        for line in self.lines.decode().split("\n"):
            words = line.partition("*")[0].split(" ")
            if words[0] == kind and '"' not in line:
                fields = dict([w.split("=") for w in words[2:]])
                if all(fields.get(k) == str(v) for k, v in wanted.items()):
                    out.append(fields)
        return out

    def trips(self):
        """(element, stage, ix) of each operated row that trips, in order."""
        return [(f["el"], f["stage"], int(f["ix"])) for f in self.told("event", on=1) if int(f["act"], 16) & 48]

    def open_time(self, limit_ms=12000):
        """Scan until every power output is off; how long it took."""
        took = 0
        while self.powered():
            self.scan()
            took += self.step_ms
            assert took <= limit_ms, "power outputs still on after %d ms" % limit_ms
        self.run(300)  # what it has to say takes a few scans
        return took

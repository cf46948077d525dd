"""The bench board: the relay's inputs come from a bench, its outputs go back there.

This is the interface every board has:

    now_ms, scan_ms     relay ticks of this scan; nominal scan interval
    counts              array('H'), see warden.sense for the order
    discretes           raw inputs, see warden.modes
    first, fresh_n      the modules sampled for this scan are first, first+1, ... (round the string)
    absent              bit b set: the head of box b did not answer
    strap               1: power outputs are held off at the pins
    nv                  bytearray that outlives power: settings image, then journal image
    out_bits, limit_permille    set by the relay
    wait()              until the next scan is due; False when there is to be no next one
    drive()             outputs to the pins, at once after the scan
    read(buf)           bytes received, into buf; how many; never waits
    answer(outbox)      take the lines; True when the board did something slow, which it does at rest only
    keep()              make `nv` safe
    frugal              True: no long listings while a power output is on
    leave()             make way for a tool, at the next wait; False where there is none to make way for

Over a stream (a child process, or a real board with the strap fitted) a frame each way carries one scan:
words of 16 bits, low byte first, then bytes.  See docs/bench.md.
"""

from array import array

from warden import journal, settings
from warden.sense import COUNTS

HEAD = 12  # words before the counts
(
    MAGIC_AT, KIND_AT, NOW_LOW, NOW_HIGH, SCAN_AT, INPUTS_AT, FIRST_AT, FRESH_AT, ABSENT_AT, RX_AT, DRAIN_AT, _SPARE,
) = range(12)  # fmt: skip
MAGIC = 0x7077
SCAN, POWER_UP, END = 0, 1, 2  # kinds of frame
NV_BYTES = settings.IMAGE_BYTES + journal.IMAGE_BYTES
RX_MAX = 384  # received bytes held for the relay; more are lost, as on any port
ANSWER = 6  # words at the head of an answer: magic, outputs, limit, bytes sent, bytes of memory, spare


class Board:
    """Buffers that a bench fills and reads; `stream` None when it does so in the same process."""

    frugal = False

    def __init__(self, stream=None):
        self.frame = array("H", [0] * (HEAD + COUNTS))
        self.counts = memoryview(self.frame)[HEAD:]
        self.stream = stream
        self.now_ms = 0
        self.scan_ms = 10
        self.discretes = 0
        self.first = 0
        self.fresh_n = 0
        self.absent = 0
        self.strap = 1
        self.nv = bytearray(NV_BYTES)
        self.nv_kept = False
        self.out_bits = 0
        self.limit_permille = 0
        self.drain = True
        self.rx = bytearray(RX_MAX)
        self.rx_n = 0
        self.rx_at = 0

    def read(self, buf):
        """Move received bytes into `buf`."""
        n = self.rx_n - self.rx_at
        if not n:
            return 0
        if n > len(buf):
            n = len(buf)
        for i in range(n):
            buf[i] = self.rx[self.rx_at + i]
        self.rx_at += n
        if self.rx_at == self.rx_n:
            self.rx_at = self.rx_n = 0
        return n

    def give(self, data):
        """Bytes arriving from the host: what finds no room is lost."""
        for b in data:
            if self.rx_n < RX_MAX:
                self.rx[self.rx_n] = b
                self.rx_n += 1

    def keep(self):
        """The bench holds the memory: say that it changed."""
        self.nv_kept = True

    def drive(self):
        """The bench takes the outputs with the answer."""

    def leave(self):
        """Nobody waits for the port of a bench."""
        return False

    def take_lines(self, outbox):
        """Every line waiting, as bytes; nothing while the host is not reading."""
        out = b""
        while self.drain and outbox.waiting:
            head = outbox.head
            out += bytes(memoryview(outbox.slots[head])[: outbox.lengths[head]])
            outbox.drop_head()
        return out

    # -- over a stream ----------------------------------------------------------------------------------

    def wait(self):
        """Take the next frame into the buffers.  False at the end."""
        if not self._fill(memoryview(self.frame), 2 * (HEAD + COUNTS)):
            return False
        frame = self.frame
        if frame[MAGIC_AT] != MAGIC or frame[KIND_AT] == END:
            return False
        self.now_ms = frame[NOW_LOW] | frame[NOW_HIGH] << 15
        self.scan_ms = frame[SCAN_AT]
        self.discretes = frame[INPUTS_AT]
        self.first = frame[FIRST_AT]
        self.fresh_n = frame[FRESH_AT]
        self.absent = frame[ABSENT_AT]
        self.drain = frame[DRAIN_AT] != 0
        if frame[RX_AT]:
            data = bytearray(frame[RX_AT])
            self._fill(memoryview(data), len(data))
            self.give(data)
        return True

    def power_up(self):
        """Before the relay exists: take the memory that outlived the power."""
        frame = self.frame
        if not self._fill(memoryview(frame), 2 * (HEAD + COUNTS)) or frame[KIND_AT] != POWER_UP:
            raise OSError("the bench did not begin with a power-up frame")
        self._fill(memoryview(self.nv), NV_BYTES)

    def answer(self, outbox):
        """Tell the bench what this scan set and said."""
        lines = self.take_lines(outbox)
        nv_n = NV_BYTES if self.nv_kept else 0
        head = array("H", [MAGIC, self.out_bits, self.limit_permille, len(lines), nv_n, 0])
        self.stream.write(bytes(head) + lines + (bytes(self.nv) if nv_n else b""))
        self.nv_kept = False
        return False

    def _fill(self, view, n):
        """Read exactly `n` bytes into `view`; False when the stream ends first."""
        raw = bytearray(n)
        got = 0
        while got < n:
            more = self.stream.readinto(memoryview(raw)[got:])
            if not more:
                return False
            got += more
        _copy(view, raw)
        return True


def _copy(view, raw):
    """Bytes into a view of bytes, or low byte first into a view of 16-bit words."""
    if len(view) == len(raw):
        view[:] = raw
    else:
        for i in range(len(view)):
            view[i] = raw[2 * i] | raw[2 * i + 1] << 8

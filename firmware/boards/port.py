"""The serial line of a board, over standard input and output, without ever waiting.

Output.  On this platform a write waits (for up to half a second) when its bytes find no room, and the question
"is there room?" is answered with yes when there is room for one byte.  So every write is of exactly CHUNK bytes,
after a yes.  The port's buffer (256 bytes) and its packets (64) are multiples of CHUNK, and nothing else writes
while the relay runs, so room always is a multiple of CHUNK: where there is any, a chunk fits.  Bytes short of a
chunk wait for the next line, a tenth of a second at the most.

Should a write take long all the same (a version that answers wrongly), nothing is written for HOLD_MS, and for twice
as long each time that the next one is slow again; a byte from the host ends it, for a program that talks may be
taken to read.  `slow_n` and `worst_us` keep count.

Input is taken a byte at a time, never more than is there.  What finds no room in the ring is lost, and counted.
"""

import select
import sys
import time

CHUNK = 64
RX = 512  # powers of two
TX = 1024
SLOW_US = 8000
HOLD_MS, HOLD_MS_MAX = 2000, 64000
BYTES_AT_ONCE = 64  # taken in one go, so that a flood can't hold a scan up


class Port:
    """Two rings and what moves bytes between them and the line."""

    def __init__(self, source=None, sink=None):
        self.source = source or sys.stdin
        self.sink = sink or sys.stdout
        self.get = self.source.buffer.readinto
        self.put = self.sink.buffer.write
        self.poll = select.poll()
        self.poll.register(self.source, select.POLLIN)
        self.room = select.poll()
        self.room.register(self.sink, select.POLLOUT)
        self.rx = bytearray(RX)
        self.rx_head = self.rx_n = 0
        self.tx = bytearray(TX)
        self.tx_head = self.tx_n = 0
        self.one = bytearray(1)
        self.chunk = bytearray(CHUNK)
        self.lost = 0
        self.slow_n = 0
        self.worst_us = 0
        self.held = False
        self.held_at = time.ticks_ms()
        self.hold_ms = HOLD_MS // 2

    def service(self):
        """Move what can be moved at once.  No heap."""
        self._take()
        while self.tx_n >= CHUNK and self._send():
            pass

    def _take(self):
        one, rx = self.one, self.rx
        for _ in range(BYTES_AT_ONCE):
            ready = 0
            for _thing, event in self.poll.ipoll(0):
                ready = event & select.POLLIN
            if not ready or not self.get(one):
                return
            self.held = False
            self.hold_ms = HOLD_MS // 2
            if self.rx_n == RX:
                self.lost += 1
            else:
                rx[(self.rx_head + self.rx_n) & (RX - 1)] = one[0]
                self.rx_n += 1

    def _send(self):
        """One chunk, if there is room; True when it went."""
        if self.held:
            if time.ticks_diff(time.ticks_ms(), self.held_at) < self.hold_ms:
                return False
            self.held = False
        room = 0
        for _thing, event in self.room.ipoll(0):
            room = event & select.POLLOUT
        if not room:
            return False
        tx, chunk, at = self.tx, self.chunk, self.tx_head
        for i in range(CHUNK):
            chunk[i] = tx[(at + i) & (TX - 1)]
        began = time.ticks_us()
        self.put(chunk)
        took_us = time.ticks_diff(time.ticks_us(), began)
        self.tx_head = (at + CHUNK) & (TX - 1)
        self.tx_n -= CHUNK
        if took_us > self.worst_us:
            self.worst_us = took_us
        if took_us > SLOW_US:
            self.slow_n += 1
            self.held = True
            self.held_at = time.ticks_ms()
            if self.hold_ms < HOLD_MS_MAX:
                self.hold_ms *= 2
        else:
            self.hold_ms = HOLD_MS // 2
        return not self.held

    def read(self, buf):
        """Received bytes into `buf`; how many."""
        n = self.rx_n
        if n > len(buf):
            n = len(buf)
        for i in range(n):
            buf[i] = self.rx[(self.rx_head + i) & (RX - 1)]
        self.rx_head = (self.rx_head + n) & (RX - 1)
        self.rx_n -= n
        return n

    def take_lines(self, outbox):
        """Move whole lines from the relay's outbox while they fit; the rest stays there, and is counted there."""
        tx = self.tx
        while outbox.waiting:
            head = outbox.head
            n = outbox.lengths[head]
            if self.tx_n + n > TX:
                return
            line, at = outbox.slots[head], self.tx_head + self.tx_n
            for i in range(n):
                tx[(at + i) & (TX - 1)] = line[i]
            self.tx_n += n
            outbox.drop_head()

    def flush(self):
        """All that is waiting, however long it takes: only with every power output off."""
        tx, at, n = self.tx, self.tx_head, self.tx_n
        self.tx_n = 0
        self.put(bytes([tx[(at + i) & (TX - 1)] for i in range(n)]))

    def say(self, text):
        """A remark for a person, outside the protocol.  Waits, so only with every power output off."""
        print("# packwarden: " + text)

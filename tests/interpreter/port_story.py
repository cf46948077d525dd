"""The board's port against a line that is full, lies about its room, floods or is silent.  Prints what it did."""

import sys
import time


class Poll:
    def register(self, thing, events):
        self.thing = thing

    def ipoll(self, timeout):
        assert timeout == 0
        return [(self.thing, self.thing.ready())] if self.thing.ready() else []


class select:
    POLLIN, POLLOUT = 1, 4
    poll = Poll


sys.modules["select"] = select
from boards.port import CHUNK, HOLD_MS, RX, Port  # noqa: E402


class Line:
    """Both ends: room for so many bytes, each write taking so long."""

    def __init__(self):
        self.buffer = self
        self.room = 256
        self.lies = False
        self.slow_us = 0
        self.got = []
        self.waiting = b""
        self.blocked = 0

    def ready(self):
        return 1 if self.waiting else 0

    def write(self, data):
        if len(data) > self.room and not self.lies:
            self.blocked += 1
        if self.slow_us:
            time.sleep_us(self.slow_us)
        self.room -= len(data)
        self.got.append(bytes(data))
        return len(data)

    def readinto(self, buf):
        buf[0] = self.waiting[0]
        self.waiting = self.waiting[1:]
        return 1


class Sink:
    def __init__(self, line):
        self.line = line
        self.buffer = line

    def ready(self):
        return 4 if self.line.room > 0 or self.line.lies else 0


class Outbox:
    """Lines as the relay's own has them."""

    def __init__(self, lines):
        self.slots = [bytearray(240) for _ in range(8)]
        self.lengths = [0] * 8
        self.head = self.waiting = 0
        for line in lines:
            at = (self.head + self.waiting) % 8
            self.slots[at][: len(line)] = line
            self.lengths[at] = len(line)
            self.waiting += 1

    def drop_head(self):
        self.head = (self.head + 1) % 8
        self.waiting -= 1


def made(n):
    return [(b"%03d" % j) * 40 + b"\n" for j in range(n)]


def full():
    """256 bytes of room, then none: what fits goes, in whole chunks, and nothing is ever blocked or out of order."""
    line = Line()
    port = Port(line, Sink(line))
    box = Outbox(made(8))
    port.take_lines(box)
    for _ in range(20):
        port.service()
    assert sum(map(len, line.got)) == 256 and not line.blocked, line.got
    for turn in range(400):  # the host takes a packet now and then
        if turn % 5 == 0:
            line.room += CHUNK
        port.service()
        port.take_lines(box)
    said = b"".join(line.got)
    whole = b"".join(made(8))
    assert not line.blocked and all(len(w) == CHUNK for w in line.got)
    assert whole.startswith(said) and len(whole) - len(said) < CHUNK
    port.flush()
    assert b"".join(line.got) == whole
    print("full", len(said), len(whole))


def lying():
    """Room is said to be there always, and each write takes 20 ms: one is paid for, then none until it is time."""
    line = Line()
    line.lies, line.slow_us = True, 20000
    port = Port(line, Sink(line))
    port.take_lines(Outbox(made(8)))
    for _ in range(50):
        port.service()
    assert len(line.got) == 1 and port.slow_n == 1 and port.worst_us >= 20000, line.got
    line.waiting = b"x"  # the host speaks
    port.service()
    assert len(line.got) == 2 and port.hold_ms == HOLD_MS, (len(line.got), port.hold_ms)
    for _ in range(50):
        port.service()
    assert len(line.got) == 2
    print("lying", port.slow_n)


def flood():
    """More than the ring holds: the first is kept, the rest is lost and counted, a service takes only so much."""
    line = Line()
    port = Port(line, Sink(line))
    line.waiting = bytes([j & 255 for j in range(2000)])
    port.service()
    assert port.rx_n == 64
    for _ in range(40):
        port.service()
    buf = bytearray(64)
    said = b""
    while True:
        n = port.read(buf)
        if not n:
            break
        said += bytes(buf[:n])
    assert said == bytes([j & 255 for j in range(RX)]) and port.lost == 2000 - RX
    print("flood", port.lost)


full()
lying()
flood()

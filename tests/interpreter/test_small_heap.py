"""firmware/main.py with 24 modules in a child with a small heap, in lockstep with the same relay in this process."""


import pytest
from rig import Rig, pack_of
from story import play

from packwarden.bench.interpreter import Interpreter
from packwarden.bench.target import Frame, TargetError


class Twin(Rig):
    """A rig whose every scan is also made by a child; their outputs and lines must be the same."""

    def __init__(self, child, n):
        super().__init__(**pack_of(n))
        self.child = child
        self.frame = Frame()
        self.rx = b""
        child.start(bytes(self.board.nv), self.now)
        self.scans = 0

    def give(self, data):
        self.rx += data

    def scan(self, late_ms=0):
        if self.rx:
            self.board.give(self.rx)
        self.lines = b""
        super().scan(late_ms)
        f, b = self.frame, self.board
        f.now_ms, f.scan_ms, f.discretes = self.now, b.scan_ms, b.discretes
        f.first, f.fresh_n, f.absent = b.first, b.fresh_n, b.absent
        f.counts[:] = type(f.counts)("H", b.counts)
        f.rx, self.rx = self.rx, b""
        reply = self.child.scan(f)
        assert (reply.out_bits, reply.limit_permille, reply.tx) == (b.out_bits, b.limit_permille, self.lines)
        self.scans += 1


def lockstep(**options):
    child = Interpreter(**options)
    twin = Twin(child, 24)
    play(twin, twin.scan)
    child.close()
    assert twin.scans > 5000 and twin.mode == "lockout"


def test_from_source(micropython):
    lockstep(heap="512k")


def test_compiled_in_128k(micropython, compiled):
    """64-bit words; a 32-bit board needs about 0.6 of this (docs/decisions/tables-as-text.md has the figures)."""
    lockstep(heap="128k", firmware=compiled)


def test_too_small_a_heap_is_told_plainly(micropython):
    child = Interpreter(heap="40k")
    with pytest.raises(TargetError, match="MemoryError"):
        Twin(child, 24).scan()
    child.close()

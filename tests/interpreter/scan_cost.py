"""Repeats one part of a scan: `micropython scan_cost.py PART N`, under an instruction counter; see test_cost.py."""

import gc
import sys

from rig import Rig, pack_of


def main():
    part, n = sys.argv[1], int(sys.argv[2])
    rig = Rig(**pack_of(12))
    rig.drive(60000)
    rig.world()
    relay, board = rig.relay, rig.board
    sense, raw, word = relay.sense, board.discretes, relay.word
    parts = {
        "nothing": lambda: None,
        "permissives": lambda: relay.permissives.update(raw, 10),
        "scalars": lambda: sense.scalars(board, 3, 10),
        "energy": lambda: relay._count_energy(10),
        "contactors": lambda: relay._contactors(raw, 3, 10),
        "flags": lambda: relay._flags(raw, 10),
        "modules": lambda: relay._modules(board),
        "box": lambda: relay._box(board),
        "string": lambda: relay.elements.evaluate(0, 0, sense.string, sense.string_known, 10),
        "word": lambda: relay._assemble(raw, 10),
        "transitions": lambda: relay.sequence.step(word),
        "outputs": lambda: relay.sequence.drive_outputs(word),
        "limit": lambda: relay._limit(10),
        "journal": lambda: relay.journal.sample(10, 60000, 150000, 150000, 1, 12000),
        "telling": lambda: tell(relay, rig),
        "whole": lambda: whole(relay, rig),
    }
    gc.collect()
    do = parts[part]
    for _ in range(n):
        do()


def tell(relay, rig):
    rig.now = (rig.now + 10) & 0x3FFFFFFF
    relay.reporter.tell(rig.now, 10)
    while relay.outbox.waiting:
        relay.outbox.drop_head()


def whole(relay, rig):
    rig.now = (rig.now + 10) & 0x3FFFFFFF
    relay.scan(rig.now)
    while relay.outbox.waiting:
        relay.outbox.drop_head()


main()

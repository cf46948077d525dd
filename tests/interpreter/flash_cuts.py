"""Cuts the power at every byte and every operation of a save on a real littlefs; prints how many, and what was lost.

The block device is flash: erased a sector at a time, programmed a page at a time, bits only ever cleared by a
program.  A cut program leaves its first bytes; a cut erase leaves part of the sector erased, part old, or noise.
"""

import sys

import vfs

from boards.store import EMPTY, WHOLE, Files, Store
from warden import journal

SECTOR, PAGE, SECTORS = 4096, 256, 16
EIO = -5
OPTIONS = {"progsize": PAGE, "readsize": PAGE, "lookahead": 32}


class Flash:
    def __init__(self, data=None):
        self.data = bytearray(data) if data else bytearray(b"\xff" * SECTOR * SECTORS)
        self.ops = []  # (kind, bytes) of each
        self.cut_at, self.cut_bytes, self.noise = -1, 0, False
        self.dead = False

    def _op(self, kind, n):
        """Bytes of this operation that happen."""
        if self.dead:
            return 0
        self.ops.append((kind, n))
        if len(self.ops) - 1 != self.cut_at:
            return n
        self.dead = True
        return self.cut_bytes

    def readblocks(self, n, buf, offset=0):
        if self.dead:
            return EIO
        at = n * SECTOR + offset
        buf[:] = self.data[at : at + len(buf)]
        return 0

    def writeblocks(self, n, buf, offset=0):
        at = n * SECTOR + offset
        done = self._op("program", len(buf))
        for j in range(done):
            self.data[at + j] &= buf[j]
        return EIO if self.dead else 0

    def ioctl(self, op, arg):
        if op == 4:
            return SECTORS
        if op == 5:
            return SECTOR
        if op == 6:
            done = self._op("erase", SECTOR)
            at = arg * SECTOR
            for j in range(done):
                self.data[at + j] = 255
            if self.dead:
                if self.noise:
                    for j in range(0, SECTOR, 7):
                        self.data[at + j] = (j * 73) & 255
                return EIO
            return 0
        return 0


def mounted(flash):
    vfs.mount(vfs.VfsLfs2(flash, **OPTIONS), "/cut")
    return Store(Files("/cut/data"))


def image(boots, latched):
    j = journal.Journal()
    j.word[journal.BOOTS] = boots
    if latched:
        j.latch(0, 3, 7990, 3)
    out = bytearray(journal.IMAGE_BYTES)
    j.write(out, 0)
    return bytes(out)


def latched(found):
    j = journal.Journal()
    j.read(found, 0)
    return j.word[journal.LATCHED]


def before(saves):
    flash = Flash()
    vfs.VfsLfs2.mkfs(flash, **OPTIONS)
    store = mounted(flash)
    for n in range(saves):
        store.save("journal", image(n, True))
    vfs.umount("/cut")
    return bytes(flash.data)


def points(ops, every):
    """(operation, bytes done, noise) of each cut."""
    for at in range(len(ops)):
        kind, n = ops[at]
        if kind == "program":
            for done in range(n + 1) if every else (0, 1, n // 2, n - 1, n):
                yield at, done, False
        else:
            for done in (0, 1, n // 2, n):
                yield at, done, False
                yield at, done, True


def look(data, old, new):
    """What the board finds at its next power-up; and that it can go on from there."""
    flash = Flash(data)
    store = mounted(flash)
    try:
        state, found = store.read("journal")
        good = (state, found) == (WHOLE, new) or ((state, found) == (WHOLE, old) if old else state == EMPTY)
        held = not old or state == WHOLE and latched(found) == 1
        store.save("journal", image(77, True))
        return good, held, found == new, store.read("journal") == (WHOLE, image(77, True))
    finally:
        vfs.umount("/cut")


def run(saves, every):
    start = before(saves)
    old = image(saves - 1, True) if saves else None
    new = image(50, True)
    whole = Flash(start)
    mounted(whole).save("journal", new)
    vfs.umount("/cut")
    tried = lost = unlocked = news = stuck = 0
    for at, done, noise in points(whole.ops, every):
        flash = Flash(start)
        flash.cut_at, flash.cut_bytes, flash.noise = at, done, noise
        try:
            mounted(flash).save("journal", new)
        except OSError:
            pass
        vfs.umount("/cut")
        good, held, is_new, goes_on = look(flash.data, old, new)
        tried += 1
        lost += not good
        unlocked += not held
        news += is_new
        stuck += not goes_on
    print(
        "saves", saves, "operations", len(whole.ops), "cuts", tried, "new", news,
        "lost", lost, "unlocked", unlocked, "stuck", stuck,
    )  # fmt: skip


every = sys.argv[1] == "every"
for saves in [int(n) for n in sys.argv[2].split(",")]:
    run(saves, every)

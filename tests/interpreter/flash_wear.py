"""Ten years of saves on a real littlefs, counted: erases of the worst sector.  Prints saves, erases, worst, sectors."""

import sys

import vfs

from boards.store import Files, Store
from warden import journal, settings

SECTOR, PAGE, SECTORS = 4096, 256, 352
OPTIONS = {"progsize": PAGE, "readsize": PAGE, "lookahead": 32}
USED = 60  # sectors taken by two versions of the firmware, which never move


class Flash:
    def __init__(self):
        self.sectors = [None] * SECTORS
        self.erased = [0] * SECTORS

    def readblocks(self, n, buf, offset=0):
        data = self.sectors[n]
        if data is None:
            for j in range(len(buf)):
                buf[j] = 255
        else:
            buf[:] = data[offset : offset + len(buf)]

    def writeblocks(self, n, buf, offset=0):
        if self.sectors[n] is None:
            self.sectors[n] = bytearray(b"\xff" * SECTOR)
        self.sectors[n][offset : offset + len(buf)] = buf

    def ioctl(self, op, arg):
        if op == 6:
            self.erased[arg] += 1
            self.sectors[arg] = None
        return {4: SECTORS, 5: SECTOR}.get(op, 0)


flash = Flash()
vfs.VfsLfs2.mkfs(flash, **OPTIONS)
vfs.mount(vfs.VfsLfs2(flash, **OPTIONS), "/wear")
with open("/wear/firmware", "wb") as stream:
    for _ in range(USED):
        stream.write(bytes(SECTOR))
store = Store(Files("/wear/data"))
store.save("settings-0000", bytes(settings.IMAGE_BYTES))
flash.erased = [0] * SECTORS
saves = int(sys.argv[1])
image = bytearray(journal.IMAGE_BYTES)
for n in range(saves):
    for j in range(4):
        image[j] = n >> 8 * j & 255
    store.save("journal", bytes(image))
    if n % 97 == 96:  # a power-up: where the file system looks for room first is decided anew
        vfs.umount("/wear")
        vfs.mount(vfs.VfsLfs2(flash, **OPTIONS), "/wear")
print(saves, sum(flash.erased), max(flash.erased), SECTORS)

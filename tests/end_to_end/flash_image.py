"""Under MicroPython: a flash image with the firmware on it.  Arguments: image, firmware folder, settings image or -."""

import os
import sys

import vfs

SECTOR, PAGE, SECTORS = 4096, 256, 352


class Flash:
    def __init__(self):
        self.data = bytearray(b"\xff" * SECTOR * SECTORS)

    def readblocks(self, n, buf, offset=0):
        at = n * SECTOR + offset
        buf[:] = self.data[at : at + len(buf)]

    def writeblocks(self, n, buf, offset=0):
        at = n * SECTOR + offset
        self.data[at : at + len(buf)] = buf

    def ioctl(self, op, arg):
        if op == 6:
            self.data[arg * SECTOR : (arg + 1) * SECTOR] = b"\xff" * SECTOR
        return {4: SECTORS, 5: SECTOR}.get(op, 0)


def copy(source, target):
    for name, kind, *_ in os.ilistdir(source):
        if kind == 0x4000:
            if name[0] not in "._":
                os.mkdir(target + "/" + name)
                copy(source + "/" + name, target + "/" + name)
        elif name.endswith(".py"):
            with open(source + "/" + name, "rb") as stream, open(target + "/" + name, "wb") as out:
                out.write(stream.read())


image, firmware, given = sys.argv[1:]
flash = Flash()
options = {"progsize": PAGE, "readsize": PAGE, "lookahead": 32}
vfs.VfsLfs2.mkfs(flash, **options)
vfs.mount(vfs.VfsLfs2(flash, **options), "/f")
copy(firmware, "/f")
if given != "-":
    from boards.store import Files, Store
    from warden import settings

    with open(given, "rb") as stream:
        Store(Files("/f/data")).save("settings-%04x" % settings.LAYOUT, stream.read())
vfs.umount("/f")
with open(image, "wb") as stream:
    stream.write(flash.data)

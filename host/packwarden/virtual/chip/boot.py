"""What a board does from reset to prompt: mount its flash, run boot.py, then main.py.

Run by `micropython -i -c`: the interpreter's own files are out of reach from here on, as on a board.
"""

import os
import sys

import machine
import vfs

if os.getenv("PACKWARDEN_CHIP") == "rp2":
    import rp2  # noqa: F401

SECTOR, PAGE = 4096, 256


class Flash:
    """A file as flash: erased a sector at a time, programmed a page at a time."""

    def __init__(self, file):
        self.file = open(file, "r+b")
        self.sectors = self.file.seek(0, 2) // SECTOR

    def readblocks(self, n, buf, offset=0):
        self.file.seek(n * SECTOR + offset)
        self.file.readinto(buf)

    def writeblocks(self, n, buf, offset=None):
        if offset is None:
            offset = 0
        machine.flash_busy()
        self.file.seek(n * SECTOR + offset)
        self.file.write(buf)

    def ioctl(self, op, arg):
        if op == 4:
            return self.sectors
        if op == 5:
            return SECTOR
        if op == 6:
            machine.flash_busy()
            self.file.seek(arg * SECTOR)
            self.file.write(b"\xff" * SECTOR)
            return 0
        return None


def mount(file):
    flash = Flash(file)
    options = {"progsize": PAGE, "readsize": PAGE, "lookahead": 32}
    try:
        disk = vfs.VfsLfs2(flash, **options)
    except OSError:
        vfs.VfsLfs2.mkfs(flash, **options)
        disk = vfs.VfsLfs2(flash, **options)
    vfs.umount("/")
    vfs.mount(disk, "/")
    os.chdir("/")


def run(name):
    try:
        with open(name) as stream:
            text = stream.read()
    except OSError:
        return
    try:
        exec(compile(text, name, "exec"), {"__name__": "__main__"})
    except SystemExit:
        pass
    except BaseException as error:
        sys.print_exception(error)


mount(os.getenv("PACKWARDEN_FLASH"))
sys.argv[:] = [""]
sys.path[:] = ["", ".frozen", "/lib"]
run("/boot.py")
if os.getenv("PACKWARDEN_MAIN"):
    run("/main.py")

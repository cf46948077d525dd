"""Images that outlive power, each kept twice: the old one stays until the new one has been read back.

A slot is a file `name.0` or `name.1`: magic, generation, length, the image, CRC-32 over all of it.  A save goes to
the slot that is not the newest, is closed, read back and compared; the newest whole slot is what is read.  Whatever
a power cut does to the slot being written, the other one is whole and untouched.

Nothing is assumed of the file system but that writing one file does not harm another.  `disk` has `read(name)`
(bytes, or None where there is no such file; OSError when it can't be read) and `write(name, data)`.
"""

import os
from binascii import crc32

EMPTY, WHOLE, DAMAGED = 0, 1, 2
_MAGIC = b"PwS1"
_HEAD = 12  # magic, generation, length
_TAIL = 4
MISSING, TORN = -1, -2  # in place of a generation
TRIES = 2


class StoreError(Exception):
    """An image could not be kept: what was read back is not what was written."""


def wrap(generation, image):
    """The bytes of a slot."""
    data = bytearray(_MAGIC)
    for n in (generation, len(image)):
        for shift in (24, 16, 8, 0):
            data.append(n >> shift & 255)
    data += image
    crc = crc32(data) & 0xFFFFFFFF
    for shift in (24, 16, 8, 0):
        data.append(crc >> shift & 255)
    return bytes(data)


def unwrap(data):
    """(generation, image) of a slot's bytes; (TORN, None) when they are not whole."""
    if len(data) < _HEAD + _TAIL or data[:4] != _MAGIC:
        return TORN, None
    generation, length = _number(data, 4), _number(data, 8)
    if len(data) != _HEAD + length + _TAIL:
        return TORN, None
    if crc32(data[: _HEAD + length]) & 0xFFFFFFFF != _number(data, _HEAD + length):
        return TORN, None
    return generation, data[_HEAD : _HEAD + length]


def _number(data, at):
    return data[at] << 24 | data[at + 1] << 16 | data[at + 2] << 8 | data[at + 3]


class Store:
    """Named images on a disk."""

    def __init__(self, disk):
        self.disk = disk

    def _slot(self, name, n):
        try:
            data = self.disk.read("%s.%d" % (name, n))
        except OSError:
            return TORN, None  # it is there, and can't be read
        return (MISSING, None) if data is None else unwrap(data)

    def read(self, name):
        """(EMPTY, WHOLE or DAMAGED, image or None).

        One slot missing and the other not whole is a first save that was cut: nothing had been kept before it,
        for a first save writes both.  Both there and neither whole is damage.
        """
        a, b = self._slot(name, 0), self._slot(name, 1)
        if a[0] < 0 and b[0] < 0:
            return (EMPTY if MISSING in (a[0], b[0]) else DAMAGED), None
        return WHOLE, (a if a[0] > b[0] else b)[1]

    def save(self, name, image):
        """Keep `image`; StoreError when it can't be, and then what was kept before still is.

        Leaves both slots whole, so a slot that a cut spoilt is mended by the next save.
        """
        a, b = self._slot(name, 0)[0], self._slot(name, 1)[0]
        newest = 0 if a > b else 1
        generation = (a if a > b else b) + 1
        if generation <= 0:
            generation, newest = 1, 1
        self._put(name, 1 - newest, generation, image)
        if (a, b)[newest] < 0:
            self._put(name, newest, generation + 1, image)

    def _put(self, name, n, generation, image):
        data = wrap(generation, image)
        slot = "%s.%d" % (name, n)
        for _ in range(TRIES):
            self.disk.write(slot, data)
            try:
                if self.disk.read(slot) == data:
                    return
            except OSError:
                pass
        raise StoreError(slot)


class Files:
    """The disk that a Store wants, on the board's own file system."""

    def __init__(self, folder):
        self.folder = folder
        try:
            os.mkdir(folder)
        except OSError:
            pass

    def read(self, name):
        """The bytes of a file; None when there is none."""
        path = self.folder + "/" + name
        try:
            os.stat(path)
        except OSError as error:
            if error.args[0] == 2:
                return None
            raise
        with open(path, "rb") as stream:
            return stream.read()

    def write(self, name, data):
        """Write a whole file."""
        with open(self.folder + "/" + name, "wb") as stream:
            stream.write(data)

"""A power cut at every byte of every write of a save leaves the old image or the new, never neither."""

import itertools

import pytest

from boards import store
from boards.store import DAMAGED, EMPTY, WHOLE, Store, StoreError, unwrap, wrap


class Cut(Exception):
    """The power went."""


# What a file may hold after a write that was cut after n bytes: the shapes that file systems leave.
SHAPES = {
    "short": lambda old, new, n: new[:n],
    "over": lambda old, new, n: new[:n] + old[n:],
    "erased": lambda old, new, n: new[:n] + b"\xff" * (len(new) - n),
    "noughts": lambda old, new, n: new[:n] + bytes(len(new) - n),
    "swapped": lambda old, new, n: bytes(len(new) - n) + new[len(new) - n :],  # the end came first
    "gone": lambda old, new, n: None,
}


class Disk:
    """Files in a dictionary; the power goes after `left` bytes and operations."""

    def __init__(self, files=None, left=None, shape="short"):
        self.files = dict(files or {})
        self.left = left
        self.shape = SHAPES[shape]
        self.spent = 0

    def _spend(self, n):
        self.spent += n
        if self.left is None:
            return n
        taken = min(n, self.left)
        self.left -= taken
        return taken

    def read(self, name):
        if self._spend(1) < 1:
            raise Cut
        return self.files.get(name)

    def write(self, name, data):
        """One step to open, one for each byte, one to close."""
        n = self._spend(len(data) + 2)
        if n == len(data) + 2:
            self.files[name] = data
            return
        if n >= 1:
            left = self.shape(self.files.get(name, b""), data, n - 1)
            if left is None:
                self.files.pop(name, None)
            else:
                self.files[name] = left
        raise Cut


def image(n):
    return bytes((n * 37 + j) & 255 for j in range(60))


def before(saves):
    """Files after so many saves."""
    disk = Disk()
    for n in range(saves):
        Store(disk).save("journal", image(n))
    return disk.files


def steps(files):
    disk = Disk(files)
    Store(disk).save("journal", image(99))
    return disk.spent


@pytest.mark.parametrize("saves", [0, 1, 2, 3])
def test_every_cut_of_a_save_leaves_old_or_new(saves):
    """And a second cut, at every byte of the save that follows, too (sampled shapes: the first cut's)."""
    files, tried, news = before(saves), 0, 0
    old = image(saves - 1) if saves else None
    for shape in SHAPES:
        for left in range(steps(files) + 1):
            disk = Disk(files, left, shape)
            try:
                Store(disk).save("journal", image(99))
            except Cut:
                pass
            tried += 1
            state, found = Store(Disk(disk.files)).read("journal")
            assert (state, found) in ((WHOLE, image(99)), (WHOLE, old) if old else (EMPTY, None)), (shape, left)
            news += found == image(99)
            # The next save puts everything right.
            again = Disk(disk.files)
            Store(again).save("journal", image(100))
            assert Store(again).read("journal") == (WHOLE, image(100))
            assert all(unwrap(data)[0] >= 0 for data in again.files.values()) and len(again.files) == 2
    assert tried >= len(SHAPES) * 60 and 0 < news < tried


def test_two_cuts_in_a_row():
    """Cut, power up, save again, cut again: what was kept is still one of those asked for."""
    files, tried = before(2), 0
    total = steps(files)
    for shape, first in itertools.product(("short", "over", "erased"), range(0, total, 3)):
        disk = Disk(files, first, shape)
        try:
            Store(disk).save("journal", image(99))
        except Cut:
            pass
        now = Store(Disk(disk.files)).read("journal")[1]
        for second in range(0, total * 2, 3):
            later = Disk(disk.files, second, shape)
            try:
                Store(later).save("journal", image(100))
            except Cut:
                pass
            assert Store(Disk(later.files)).read("journal") in ((WHOLE, now), (WHOLE, image(100)))
            tried += 1
    assert tried > 3000


def test_the_old_image_would_be_lost_without_the_second_slot():
    """The canary: a store of one slot does lose it, so these cuts can fail a store."""
    lost = 0
    files = {"journal.0": wrap(1, image(0))}
    for left in range(70):
        disk = Disk(files, left)
        try:
            disk.write("journal.0", wrap(2, image(1)))
        except Cut:
            pass
        lost += unwrap(disk.files.get("journal.0", b""))[1] not in (image(0), image(1))
    assert lost > 60


def test_every_flipped_bit_is_seen():
    data = wrap(7, image(3))
    assert unwrap(data) == (7, image(3))
    for bit in range(8 * len(data)):
        spoilt = bytearray(data)
        spoilt[bit // 8] ^= 1 << bit % 8
        assert unwrap(bytes(spoilt)) == (store.TORN, None)


def test_damage_is_not_taken_for_a_first_start():
    """Both slots there and neither whole: a relay told EMPTY here would forget its lockout."""
    files = {name: data[:-1] for name, data in before(2).items()}
    assert Store(Disk(files)).read("journal") == (DAMAGED, None)


def test_a_slot_that_can_not_be_read_counts_as_torn():
    class Bad(Disk):
        def read(self, name):
            raise OSError(5)

    assert Store(Bad(before(2))).read("journal") == (DAMAGED, None)


def test_what_is_not_read_back_the_same_is_an_error_and_harms_nothing():
    class Worn(Disk):
        def write(self, name, data):
            self.files[name] = data[:-2] + b"\0\0"

    disk = Worn(before(2))
    with pytest.raises(StoreError):
        Store(disk).save("journal", image(9))
    assert Store(Disk(disk.files)).read("journal") == (WHOLE, image(1))

"""What outlives power: every word of the image, the ring of trips, the moments around the last, and damage anywhere."""

from array import array

import pytest
from hypothesis import given
from hypothesis import strategies as st

from warden import elements, image, journal


def image_of(j, start=0):
    held = bytearray(start + journal.IMAGE_BYTES + 3)
    j.write(held, start)
    return held


def test_the_layout_is_the_one_on_boards():
    """Words by position, and the size of the image: an old image must be read as it was written."""
    names = "LATCHED TRIP_N BOOTS MAH_OUT MAH_IN WH_OUT WH_IN OPS PRIOR_HEAD".split()
    assert [getattr(journal, name) for name in names] == list(range(9))
    assert (journal.TRIPS, journal.PRIOR, journal.AFTER, journal.PRIOR_MS) == (8, 24, 8, 100)
    assert (journal.WORDS, journal.IMAGE_BYTES) == (9 + 4 * 8 + 5 * 24, 4 + 4 * 161 + 2)
    assert (journal.EMPTY, journal.WHOLE, journal.DAMAGED) == (0, 1, 2)
    j = journal.Journal()
    assert (list(j.word), j.dirty, j.left, j.since_ms) == ([0] * 161, False, -1, 0)


def test_an_image_begins_with_its_mark_and_ends_with_its_sum():
    j = journal.Journal()
    j.word[0], j.word[1], j.word[160] = 1, -2, 0x12345678
    held = image_of(j, 5)
    assert held[:5] == bytes(5) and bytes(held[5:17]) == bytes((0x50, 0x4A, 161, 0, 0, 0, 0, 1, 255, 255, 255, 254))
    end = 5 + journal.IMAGE_BYTES
    assert bytes(held[end - 6 : end - 2]) == bytes((0x12, 0x34, 0x56, 0x78)) and held[end:] == bytes(3)
    crc = 0xFFFF  # CRC-16/IBM-3740, bit by bit
    for b in held[5 : end - 2]:
        crc ^= b << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    assert held[end - 2] << 8 | held[end - 1] == crc


ANY = st.integers(-(2**31), 2**31 - 1)
COUNT = st.integers(0, 2**29 - 1)
TRIP = st.tuples(st.integers(0, len(elements.NUMBER) - 1), st.integers(0, 23), ANY, st.integers(0, 6))
MOMENT = st.tuples(ANY, ANY, ANY, st.integers(0, 24), ANY)


@st.composite
def sound_words(draw):
    """Words that can be what they are for: trips and moments name rows, modules and modes that there are."""
    words = [draw(st.integers(0, 1)), *(draw(COUNT) for _ in range(7)), draw(st.integers(0, 23))]
    for kind, n in ((TRIP, 8), (MOMENT, 24)):
        for each in draw(st.lists(kind, min_size=n, max_size=n)):
            words += each
    assert len(words) == 161
    return words


@given(sound_words(), st.integers(0, 9))
def test_every_word_comes_back(words, start):
    j = journal.Journal()
    j.word[:] = array("i", words)
    j.dirty = True
    held = image_of(j, start)
    assert not j.dirty
    again = journal.Journal()
    assert again.read(held, start) == journal.WHOLE and list(again.word) == words


@pytest.mark.parametrize("at", range(journal.IMAGE_BYTES))
def test_damage_anywhere_is_a_lockout(at):
    j = journal.Journal()
    j.word[:] = array("i", range(161))
    j.word[journal.LATCHED] = 0
    held = image_of(j, 2)
    held[2 + at] ^= 0x10
    again = journal.Journal()
    assert again.read(held, 2) == journal.DAMAGED
    assert again.word[journal.LATCHED] == 1 and again.word[journal.TRIP_N] == 0


def test_memory_that_was_never_written_is_no_lockout():
    j = journal.Journal()
    held = bytearray(journal.IMAGE_BYTES + 4)
    held[0] = held[1] = held[-1] = held[-2] = 9  # what is beside it does not count
    assert j.read(held, 2) == journal.EMPTY and not j.word[journal.LATCHED]
    held[2 + journal.IMAGE_BYTES - 1] = 1
    assert j.read(held, 2) == journal.DAMAGED
    assert journal.Journal().read(bytearray([0xFF]) * (journal.IMAGE_BYTES + 4), 2) == journal.DAMAGED


def test_trips_go_round_and_only_the_first_of_a_lockout_is_kept():
    j = journal.Journal()
    for n in range(11):
        j.dirty = False
        j.latch(n, n + 20, -n, n % 7)
        assert (j.word[journal.LATCHED], j.left, j.dirty, j.word[journal.TRIP_N]) == (1, 8, True, n + 1)
        j.left, j.dirty = 5, False
        j.latch(99, 99, 99, 99)
        assert (j.left, j.dirty, j.word[journal.TRIP_N]) == (5, False, n + 1)
        j.clear()
        assert (j.word[journal.LATCHED], j.left, j.dirty) == (0, -1, True)
    for n in range(3, 11):
        p = j.trip(n)
        assert p == 9 + 4 * (n % 8) and list(j.word[p : p + 4]) == [n, n + 20, -n, n % 7]
    assert not any(j.word[41:])  # nothing written past the ring


def moment(j, n, dt_ms=100):
    j.sample(dt_ms, n, n + 1000, n + 2000, n + 3000, n + 4000)


def test_moments_are_kept_each_tenth_of_a_second_and_go_round():
    j = journal.Journal()
    moment(j, 1, 99)
    assert j.word[journal.PRIOR_HEAD] == 0 and j.since_ms == 99
    for n in range(1, 31):
        moment(j, n, 1 if n == 1 else 100)
        assert j.word[journal.PRIOR_HEAD] == n % 24 and j.since_ms == 0
    for n in range(24):
        p = j.prior(n)
        assert list(j.word[p : p + 5]) == [n + 7 + add for add in (0, 1000, 2000, 3000, 4000)]
    assert j.prior(0) == 9 + 32 + 5 * 6 and not j.dirty
    moment(j, 99, 250)
    assert j.since_ms == 0  # a long scan is one moment


def test_eight_moments_follow_a_trip_and_then_no_more():
    j = journal.Journal()
    j.latch(1, 2, 3, 4)
    for n in range(8):
        j.dirty = False
        assert j.left == 8 - n
        moment(j, n)
        assert j.dirty
    assert j.left == 0 and j.word[journal.PRIOR_HEAD] == 8
    j.dirty = False
    moment(j, 50)
    assert j.word[journal.PRIOR_HEAD] == 8 and not j.dirty
    j.clear()
    j.dirty = False
    moment(j, 60)
    assert j.word[journal.PRIOR_HEAD] == 9 and not j.dirty
    j = journal.Journal()
    j.word[journal.LATCHED] = 1  # locked out since before the power went: the moments kept are not written over
    moment(j, 1)
    assert j.word[journal.PRIOR_HEAD] == 0


@pytest.mark.parametrize("value", [0, 1, 127, 128, 255, 256, 65535, 0x7FFFFFFF, -1, -128, -256, -(2**31), 0x12345678])
def test_words_are_signed_and_high_byte_first(value):
    held = bytearray(8)
    assert image.put_words(array("i", [value]), held, 3) == 7
    assert bytes(held) == bytes(3) + value.to_bytes(4, "big", signed=True) + bytes(1)
    back = array("i", [0])
    image.take_words(held, 3, back)
    assert back[0] == value

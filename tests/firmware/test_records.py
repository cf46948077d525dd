"""The encoder of lines: every kind of field byte for byte, the ring, the sum, and the check value of the CRC."""

import pytest

from warden import crc, records, table_fields, text


def line(box):
    """The oldest line, taken out."""
    out = bytes(box.slots[box.head][: box.lengths[box.head]])
    box.drop_head()
    return out


def plain_crc(data):
    """CRC-16/IBM-3740 bit by bit, as its parameters say: 0x1021, 0xFFFF, not reflected, nothing added."""
    out = 0xFFFF
    for b in data:
        out ^= b << 8
        for _ in range(8):
            out = (out << 1 ^ 0x1021 if out & 0x8000 else out << 1) & 0xFFFF
    return out


def test_the_crc_has_its_check_value_and_every_table_entry():
    assert crc.crc16(b"123456789") == 0x29B1
    for n in range(256):
        assert crc.crc16(bytes([n])) == plain_crc(bytes([n]))
        assert crc.crc16_to(bytes([n, 7]), 1) == plain_crc(bytes([n]))
        assert crc.crc16(bytes([n]), 0x1234) == crc.crc16(bytes([n]), crc=0x1234)
    data = bytes(range(256)) * 2
    assert crc.crc16(data) == crc.crc16_to(data + b"more", 512) == plain_crc(data)
    assert crc.crc16(data[200:], crc.crc16(data[:200])) == plain_crc(data)
    assert crc.crc16(b"") == crc.crc16_to(b"x", 0) == 0xFFFF


NUMBERS = (0, 1, 9, 10, 11, 99, 100, 101, 999, 1000, 12345, 99999, 999999999, 1000000000, 1073741823)


@pytest.mark.parametrize("value", [*NUMBERS, *[-n for n in NUMBERS]])
def test_whole_numbers_in_every_length(value):
    box = records.Outbox()
    box.open(records.PRIOR)
    box.put(value)
    assert bytes(box._buf[: box._at]) == b"prior 0 at=%d" % value


@pytest.mark.parametrize("value", [0, 1, 9, 10, 15, 16, 255, 256, 0xABC, 0xFFFF, 0x12345678, 0x3FFFFFFF])
def test_hex_in_every_length(value):
    box = records.Outbox()
    box.open(records.PRIOR)
    box.put_hex(value)
    assert bytes(box._buf[: box._at]) == b"prior 0 at=%x" % value


def test_a_whole_line_with_every_kind_of_field():
    box = records.Outbox()
    assert box.open(records.MODS)
    box.put(1073741823)
    box.put(-7)
    box.put_hex(0xA0)
    box.put_list((5, -10, 123456), 3)
    box.close()
    said = b"mods 0 t=1073741823 med=-7 bad=a0 mv=5,-10,123456"
    assert line(box) == said + b"*%04x\n" % plain_crc(said)
    assert box.open(records.REPLY)
    box.put(42)
    box.put_word(b"ok")
    box.put_word(b"")
    box.put(0)
    box.put_hex(0)
    box.close()
    said = b"reply 1 req=42 status=ok why= value=0 digest=0"
    assert line(box) == said + b"*%04x\n" % plain_crc(said)
    assert box.waiting == 0 and box.head == 2
    box.open(records.MODS)
    box.put(0)
    box.put(0)
    box.put_hex(0)
    box.put_list((), 0)
    box.close()
    assert line(box).startswith(b"mods 2 t=0 med=0 bad=0 mv=*")


def test_every_kind_has_its_number_and_its_fields_in_order():
    kinds = "ident meas mods state change event count field setting reply trip prior".split()
    assert list(records.KINDS) == kinds
    for n, kind in enumerate(kinds):
        assert getattr(records, kind.upper()) == n
        names = [table_fields.field(row)[1] for row in text.lines(table_fields.ROWS) if row.split(" ")[0] == kind]
        box = records.Outbox()
        box.open(n)
        for _ in names:
            box.put(3)
        box.close()
        said = " ".join([kind, "0", *["%s=3" % name for name in names]]).encode()
        assert line(box) == said + b"*%04x\n" % plain_crc(said)


def test_text_is_cut_to_what_the_line_has_room_for():
    for length in (0, 1, 200, 201, 230, 500):
        box = records.Outbox()
        box.open(records.PRIOR)
        begun = len(b"prior 0 at=") + 1
        box.put_text(b"x" * length)
        box.close()
        said = line(box)
        assert said[begun - 1 : begun] == b'"' and said.count(b"x") == min(length, 232 - begun)
        assert said[-7:-5] == b'"*' and len(said) <= records.LINE_MAX


def test_the_ring_takes_eight_lines_and_counts_the_rest_with_their_numbers():
    box = records.Outbox()
    assert (records.SLOTS, records.LINE_MAX, records.SEQ_MAX) == (8, 240, 65535)
    for n in range(8):
        assert box.open(records.PRIOR) and box.waiting == n
        box.put(n)
        box.close()
    for n in range(3):
        assert not box.open(records.PRIOR) and box.lost == n + 1
    assert [line(box).split(b"*")[0] for _ in range(8)] == [b"prior %d at=%d" % (n, n) for n in range(8)]
    box.open(records.PRIOR)
    box.put(0)
    box.close()
    assert line(box).startswith(b"prior 11 at=0*") and (box.head, box.waiting) == (1, 0)


def test_numbers_of_lines_wrap_whether_told_or_lost():
    box = records.Outbox()
    box.seq = 65534
    for seq in (65534, 65535, 0, 1):
        box.open(records.PRIOR)
        box.close()
        assert line(box).startswith(b"prior %d*" % seq)
    for _ in range(8):
        box.open(records.PRIOR)
        box.close()
    box.seq = 65535
    box.open(records.PRIOR)
    assert box.seq == 0


def test_only_the_catalogue_is_made_when_asked_for():
    assert len(records.CATALOGUE) == 12
    with pytest.raises(AttributeError):
        records.CATALOG  # noqa: B018

"""CRC-16/IBM-3740 (polynomial 0x1021, start 0xFFFF, not reflected): check value 0x29B1."""

from array import array


def _table():
    out = array("H", [0] * 256)
    for i in range(256):
        crc = i << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021) & 0xFFFF if crc & 0x8000 else crc << 1
        out[i] = crc
    return out


TABLE = _table()


def crc16(data, crc=0xFFFF):
    """CRC of an iterable of bytes, going on from `crc`."""
    table = TABLE
    for b in data:
        crc = (crc << 8 & 0xFF00) ^ table[crc >> 8 ^ b]
    return crc


def crc16_to(buf, n):
    """CRC of the first `n` bytes of `buf`, without making a slice."""
    table = TABLE
    crc = 0xFFFF
    for i in range(n):
        crc = (crc << 8 & 0xFF00) ^ table[crc >> 8 ^ buf[i]]
    return crc

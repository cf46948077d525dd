"""Images for the board's memory: 32-bit words, high byte first.  Settings and journal are both kept so."""


def put_words(words, image, at):
    """Write `words` into the bytearray `image` from `at`; where they end."""
    for v in words:
        for shift in (24, 16, 8, 0):
            image[at] = v >> shift & 255
            at += 1
    return at


def take_words(image, at, words):
    """Fill the array `words` from `image`, from `at`.  Each word is signed."""
    for i in range(len(words)):
        high = image[at]
        words[i] = (high - 256 if high > 127 else high) << 24 | image[at + 1] << 16 | image[at + 2] << 8 | image[at + 3]
        at += 4

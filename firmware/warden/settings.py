"""Settings in use: checking, packing with a CRC, and names on the wire.  The table itself is in table_settings.py.

Values live in one `array('i')`, in the table's order.
"""

from array import array

from warden import text
from warden.crc import crc16
from warden.image import put_words, take_words

MODULES_MAX = 24
BOXES_MAX = 6

def __getattr__(name):
    """TABLE and ORDER as tuples of rows, made when asked for: a board has no room to keep them."""
    from warden import table_settings

    if name == "TABLE":
        return table_settings.table()
    if name == "ORDER":
        return table_settings.ordered()
    raise AttributeError(name)


def _columns():
    """The table as columns: names as one text, and arrays of first index, lowest and highest."""
    from warden import table_settings

    names, base, low, high, at = [""], [], [], [], 0
    for line in text.lines(table_settings.ROWS):
        r = table_settings.row(line)
        names.append(r[0] + " ")
        base.append(at)
        low.append(r[4])
        high.append(r[5])
        at += r[1]
    base.append(at)
    return "\n".join(names), array("h", base), array("i", low), array("i", high)


NAMES, FIRST, LOW, HIGH = _columns()
COUNT = FIRST[len(LOW)]  # how many values there are


class _Base:
    """BASE[name]: where the values of `name` start.  Looks the name up in NAMES; KeyError when it is not there."""

    def __getitem__(self, name):
        n = number_of(name)
        if n < 0:
            raise KeyError(name)
        return FIRST[n]

    def __contains__(self, name):
        return number_of(name) >= 0


def number_of(name):
    """Number of the row called `name`, or -1."""
    # A name with a space in it could match across two rows.
    at = NAMES.find("\n" + name + " ") if name and " " not in name else -1
    return NAMES.count("\n", 0, at) if at >= 0 else -1


def name_of(number):
    """Name of row `number`."""
    at = 0
    for _ in range(number):
        at = NAMES.find("\n", at + 1)
    return NAMES[at + 1 : NAMES.find(" ", at + 1)]


BASE = _Base()


def _order_columns():
    from warden import table_settings

    pairs = array("i")
    for line in text.lines(table_settings.ORDER_ROWS):
        low, high, margin, _about = table_settings.order(line)
        pairs.extend(array("i", [BASE[low], BASE[high], margin]))
    return pairs


PAIRS = _order_columns()
IMAGE_BYTES = 8 + 4 * COUNT
_MAGIC = 0x5057
LAYOUT = crc16((NAMES + ",".join([str(n) for n in FIRST])).encode())  # an image of another table is never read as this
text.let_go("table_settings")


class SettingError(ValueError):
    """A setting that must not be used.  `key`, `value` and `allowed` say why."""

    def __init__(self, key, value, allowed):
        ValueError.__init__(self, "%s = %s: allowed %s" % (key, value, allowed))
        self.key = key
        self.value = value
        self.allowed = allowed


def defaults():
    """A fresh array of every value at its default."""
    from warden import table_settings

    values = array("i", [0] * COUNT)
    at = 0
    for line in text.lines(table_settings.ROWS):
        default, count = table_settings.row(line)[3], table_settings.row(line)[1]
        for k in range(count):
            values[at] = default[k] if isinstance(default, tuple) else default
            at += 1
    text.let_go("table_settings")
    return values


def number_at(index):
    """Number of the row that the value at `index` belongs to."""
    n = 0
    while FIRST[n + 1] <= index:
        n += 1
    return n


def index_of(key):
    """Index of `name` or `name.k`; SettingError when there is no such setting."""
    name, dot, k = key.partition(".")
    n = number_of(name)
    if n >= 0:
        count = FIRST[n + 1] - FIRST[n]
        if count == 1 and not dot:
            return FIRST[n]
        if count > 1:
            for at in range(count):
                if k == str(at):  # no other way of writing the number names it
                    return FIRST[n] + at
            raise SettingError(key, "?", "%s.0 to %s.%d" % (name, name, count - 1))
    raise SettingError(key, "?", "a name from the settings table")


def key_of(index):
    """The wire name of the value at `index`."""
    n = number_at(index)
    name = name_of(n)
    return name if FIRST[n + 1] - FIRST[n] == 1 else "%s.%d" % (name, index - FIRST[n])


def check(values):
    """Raise SettingError unless every value is within its bounds and every ordered pair keeps its order."""
    for n in range(len(LOW)):
        for at in range(FIRST[n], FIRST[n + 1]):
            if not LOW[n] <= values[at] <= HIGH[n]:
                raise SettingError(key_of(at), values[at], "%d to %d" % (LOW[n], HIGH[n]))
    total = sum(values[BASE["box_modules"] + b] for b in range(BOXES_MAX))
    if total != values[BASE["n_modules"]]:
        raise SettingError("box_modules", total, "a sum equal to n_modules = %d" % values[BASE["n_modules"]])
    ended = False
    for b in range(BOXES_MAX):
        here = values[BASE["box_modules"] + b]
        if here and ended:
            raise SettingError("box_modules.%d" % b, here, "0: boxes are numbered without a gap")
        ended = ended or not here
    nominal = values[BASE["module_nominal_mv"]]
    if values[BASE["range_low_mv"]] < -nominal * 3 // 4:
        # Else an open lead, which reads one module the wrong way round, would be believed.
        raise SettingError("range_low_mv", values[BASE["range_low_mv"]], "at least -3/4 of module_nominal_mv")
    if values[BASE["range_high_mv"]] > nominal * 7 // 4:
        raise SettingError("range_high_mv", values[BASE["range_high_mv"]], "at most 7/4 of module_nominal_mv")
    if values[BASE["range_low_mv"]] > -nominal // 4:
        # Else a reversed module is called a bad reading and waits for m_trip_ms.
        raise SettingError("range_low_mv", values[BASE["range_low_mv"]], "at most -1/4 of module_nominal_mv")
    gain, zero = values[BASE["current_gain_ua"]], values[BASE["current_zero"]]
    reach = (gain if gain > 0 else -gain) * min(zero - 64, 65471 - zero) // 1000
    if reach < values[BASE["i76_inst_ma"]]:
        raise SettingError("current_gain_ua", gain, "a gain with which the converter reaches i76_inst_ma")
    for j in range(0, len(PAIRS), 3):
        low, high, margin = values[PAIRS[j]], values[PAIRS[j + 1]], PAIRS[j + 2]
        if low + margin > high:
            rule = "at most %s - %d = %d" % (key_of(PAIRS[j + 1]), margin, high - margin)
            raise SettingError(key_of(PAIRS[j]), low, rule)


def pack(values, image):
    """Write `values` into the bytearray `image` (IMAGE_BYTES long): magic, layout CRC, values, CRC."""
    image[0], image[1] = _MAGIC >> 8, _MAGIC & 255
    image[2], image[3] = LAYOUT >> 8, LAYOUT & 255
    at = put_words(values, image, 4)
    crc = crc16(memoryview(image)[: IMAGE_BYTES - 4])
    image[at], image[at + 1], image[at + 2], image[at + 3] = crc >> 8, crc & 255, 0, 0


def unpack(image):
    """Values from an image, or None when it is not whole, not of this layout, or not allowed."""
    if len(image) < IMAGE_BYTES or (image[0] << 8 | image[1]) != _MAGIC:
        return None
    if (image[2] << 8 | image[3]) != LAYOUT:
        return None
    crc = image[IMAGE_BYTES - 4] << 8 | image[IMAGE_BYTES - 3]
    if crc16(memoryview(image)[: IMAGE_BYTES - 4]) != crc:
        return None
    values = array("i", [0] * COUNT)
    take_words(image, 4, values)
    try:
        check(values)
    except SettingError:
        return None
    return values


def digest(values):
    """CRC-16 over the values: names one set of settings on the wire."""
    crc = 0xFFFF
    secret = BASE["reset_code"]
    for index in range(len(values)):
        v = 0 if index == secret else values[index]
        for shift in (24, 16, 8, 0):
            crc = crc16(((v >> shift) & 255,), crc)
    return crc

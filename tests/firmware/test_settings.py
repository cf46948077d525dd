"""Settings: bounds, order, image."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from warden import settings


def test_every_default_is_allowed_and_every_bound_is_a_small_int():
    settings.check(settings.defaults())
    for name, count, _unit, default, low, high, about in settings.TABLE:
        assert -(1 << 30) < low <= high < 1 << 30 and count >= 1 and about, name
        for value in default if isinstance(default, tuple) else (default,):
            assert low <= value <= high, name


@pytest.mark.parametrize("index", range(settings.COUNT))
def test_out_of_bounds_is_refused_by_name(index):
    n = settings.number_at(index)
    for wrong in (settings.LOW[n] - 1, settings.HIGH[n] + 1):
        values = settings.defaults()
        values[index] = wrong
        with pytest.raises(settings.SettingError) as refused:
            settings.check(values)
        assert refused.value.key.split(".")[0] in (settings.name_of(n), "box_modules")


@pytest.mark.parametrize("low, high, margin, _about", settings.ORDER)
def test_each_pair_keeps_its_order(low, high, margin, _about):
    values = settings.defaults()
    values[settings.BASE[low]] = values[settings.BASE[high]] - margin + 1
    with pytest.raises(settings.SettingError):
        settings.check(values)


@given(st.integers(0, settings.IMAGE_BYTES - 1), st.integers(0, 7))
def test_any_flipped_bit_of_an_image_is_found(at, bit):
    image = bytearray(settings.IMAGE_BYTES)
    settings.pack(settings.defaults(), image)
    image[at] ^= 1 << bit
    found = settings.unpack(image)
    # The last two bytes are padding.
    assert found is None or (at >= settings.IMAGE_BYTES - 2 and found == settings.defaults())


@given(st.data())
def test_images_come_back(data):
    values = settings.defaults()
    for _ in range(5):
        index = data.draw(st.integers(0, settings.COUNT - 1))
        n = settings.number_at(index)
        values[index] = data.draw(st.integers(settings.LOW[n], settings.HIGH[n]))
    image = bytearray(settings.IMAGE_BYTES)
    settings.pack(values, image)
    try:
        settings.check(values)
    except settings.SettingError:
        assert settings.unpack(image) is None
    else:
        assert settings.unpack(image) == values


def test_the_columns_are_the_table():
    """What runs is made from what is read."""
    at = 0
    for n, (name, count, _unit, _default, low, high, _about) in enumerate(settings.TABLE):
        assert (settings.name_of(n), settings.BASE[name], settings.LOW[n], settings.HIGH[n]) == (name, at, low, high)
        at += count
    assert at == settings.COUNT


def test_names_and_indexes_agree():
    for index in range(settings.COUNT):
        assert settings.index_of(settings.key_of(index)) == index
    for wrong in ("nothing", "tap_gain_nv", "tap_gain_nv.24", "n_modules.0", "tap_gain_nv.x", ""):
        with pytest.raises(settings.SettingError):
            settings.index_of(wrong)


def changed(**changes):
    values = settings.defaults()
    for name, value in changes.items():
        values[settings.index_of(name.replace("__", "."))] = value
    return values


@pytest.mark.parametrize(
    "changes, key, allowed",
    [
        ({"range_low_mv": -9000}, None, ""),
        ({"range_low_mv": -9001}, "range_low_mv", "at least -3/4 of module_nominal_mv"),
        ({"range_low_mv": -3000}, None, ""),
        ({"range_low_mv": -2999}, "range_low_mv", "at most -1/4 of module_nominal_mv"),
        ({"range_high_mv": 21000}, None, ""),
        ({"range_high_mv": 21001}, "range_high_mv", "at most 7/4 of module_nominal_mv"),
        # 450 A through 16 bits with 64 counts left at each end: (65471 - zero) * gain and (zero - 64) * gain
        ({"current_gain_ua": 13761}, None, ""),
        ({"current_gain_ua": 13760}, "current_gain_ua", "a gain with which the converter reaches i76_inst_ma"),
        ({"current_gain_ua": -13761}, None, ""),
        ({"current_gain_ua": -13760}, "current_gain_ua", "a gain with which the converter reaches i76_inst_ma"),
        ({"current_gain_ua": 20000, "current_zero": 22564}, None, ""),
        ({"current_gain_ua": 20000, "current_zero": 22563}, "current_gain_ua", "a gain with which"),
        ({"current_gain_ua": 20000, "current_zero": 42971}, None, ""),
        ({"current_gain_ua": 20000, "current_zero": 42972}, "current_gain_ua", "a gain with which"),
        ({"n_modules": 13}, "box_modules", "a sum equal to n_modules = 13"),
        ({"n_modules": 11}, "box_modules", "a sum equal to n_modules = 11"),
        ({"box_modules__0": 0, "box_modules__1": 12}, "box_modules.1", "0: boxes are numbered without a gap"),
        ({"box_modules__1": 6, "box_modules__5": 1}, "box_modules.5", "0: boxes are numbered without a gap"),
        ({"box_modules__1": 6, "box_modules__2": 1}, None, ""),
        ({"box_modules__5": 25}, "box_modules.5", "0 to 24"),
        ({"v60_pickup_mv": 5001}, "v60_pickup_mv", "20 to 5000"),
        ({"v60_pickup_mv": 19}, "v60_pickup_mv", "20 to 5000"),
        ({"v60_dropout_mv": 591}, "v60_dropout_mv", "at most v60_pickup_mv - 10 = 590"),
    ],
)
def test_what_belongs_together_at_its_boundary(changes, key, allowed):
    try:
        settings.check(changed(**changes))
    except settings.SettingError as error:
        assert error.key == key and error.allowed.startswith(allowed)
        assert str(error).startswith("%s = %d: allowed " % (key, error.value))
    else:
        assert key is None


def test_an_image_is_laid_out_as_it_always_was():
    """Magic, layout, words high byte first, CRC, two bytes of nothing: what a board holds must be read again."""
    values = settings.defaults()
    values[0], values[1] = 12, 5
    image = bytearray(b"x" * (settings.IMAGE_BYTES + 3))
    settings.pack(values, image)
    assert settings.IMAGE_BYTES == 8 + 4 * len(values)
    assert bytes(image[:2]) == b"PW" and image[2] << 8 | image[3] == settings.LAYOUT
    assert bytes(image[4:12]) == bytes((0, 0, 0, 12, 0, 0, 0, 5))
    assert bytes(image[-5:]) == b"\0\0xxx"
    assert settings.unpack(image) == values
    assert settings.unpack(image[: settings.IMAGE_BYTES]) == values
    assert settings.unpack(image[: settings.IMAGE_BYTES - 1]) is None
    assert settings.unpack(bytearray(settings.IMAGE_BYTES)) is None


def test_a_whole_image_of_another_table_or_kind_is_not_taken():
    """With a CRC that is right: the marks alone must refuse it."""
    from warden.crc import crc16

    for at in range(4):
        image = bytearray(settings.IMAGE_BYTES)
        settings.pack(settings.defaults(), image)
        image[at] ^= 1
        crc = crc16(memoryview(image)[: settings.IMAGE_BYTES - 4])
        image[-4], image[-3] = crc >> 8, crc & 255
        assert settings.unpack(image) is None


def test_the_digest_tells_every_value_and_its_place():
    """Each value changed by one, and each byte of a value, gives another digest; the code alone does not."""
    plain = settings.digest(settings.defaults())
    seen = {plain}
    for index in range(settings.COUNT):
        values = settings.defaults()
        values[index] += 1
        if settings.key_of(index) == "reset_code":
            assert settings.digest(values) == plain
        else:
            seen.add(settings.digest(values))
    assert len(seen) >= settings.COUNT - 2  # two of 16 bits may meet by chance
    data = b"".join(v.to_bytes(4, "big", signed=True) for v in settings.defaults())
    from warden.crc import crc16

    assert plain == crc16(data)


def test_names_are_whole_names():
    """No part of a name, and nothing before or after it, is a name."""
    for wrong in ("", "v27", "pickup_mv", "n_module", "_modules", "n_modules ", " n_modules", "n_modules\nbox_modules"):
        assert settings.number_of(wrong) == -1 and wrong not in settings.BASE
        with pytest.raises(KeyError):
            settings.BASE[wrong]
    for n, row in enumerate(settings.TABLE):
        assert settings.number_of(row[0]) == n and row[0] in settings.BASE and settings.name_of(n) == row[0]
    assert settings.number_at(0) == 0 and settings.number_at(1) == settings.number_at(6) == 1
    assert settings.number_at(7) == 2


@pytest.mark.parametrize("key, allowed", [
    ("tap_gain_nv", "tap_gain_nv.0 to tap_gain_nv.23"), ("tap_gain_nv.24", "tap_gain_nv.0 to tap_gain_nv.23"),
    ("tap_gain_nv.-1", "tap_gain_nv.0 to tap_gain_nv.23"), ("tap_gain_nv.", "tap_gain_nv.0 to tap_gain_nv.23"),
    ("n_modules.0", "a name from the settings table"), ("n_modules.", "a name from the settings table"),
    ("nothing", "a name from the settings table"),
])  # fmt: skip
def test_a_name_that_is_wrong_says_what_is_right(key, allowed):
    with pytest.raises(settings.SettingError) as refused:
        settings.index_of(key)
    assert (refused.value.key, refused.value.value, refused.value.allowed) == (key, "?", allowed)
    assert settings.index_of("tap_gain_nv.23") == settings.BASE["tap_gain_nv"] + 23

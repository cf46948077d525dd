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

"""Pack files: the shipped ones load; every mistake names the file, the key, the value and what is allowed."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from packwarden.errors import InputError
from packwarden.packs import CHEMISTRIES, PACKS, load_chemistry, load_pack, shipped
from packwarden.plant import PackSpec, Plant
from packwarden.plant.spec import Chemistry


def written(tmp_path: Path, text: str) -> str:
    path = tmp_path / "mine.toml"
    path.write_text(text)
    return str(path)


def test_shipped_packs_are_the_designs_examples() -> None:
    assert shipped() == ["lake-launch", "orchard-truck"]
    truck, launch = load_pack("orchard-truck"), load_pack("lake-launch")
    assert truck.boxes == (5, 7) and truck.n_modules == 12 and truck.module.chemistry.name == "agm"
    assert (truck.module.capacity_ah, truck.bus.controller_a, truck.bus.link_f) == (110.0, 350.0, 0.0022)
    assert (truck.charger.power_w, truck.vehicle.mass_kg, truck.boat) == (2000.0, 1350.0, None)
    assert launch.n_modules == 8 and launch.module.chemistry.kind == "lfp" and launch.boat.power_w > 0.0


def test_a_small_file_is_a_whole_pack(tmp_path: Path) -> None:
    spec = load_pack(written(tmp_path, 'boxes = [1, 24]\n[module]\nchemistry = "flooded"\n'.replace("24", "23")))
    assert spec.name == "mine" and spec.n_modules == 24 and spec.module.chemistry.name == "flooded"
    assert Plant(spec, 1).string.n == 24
    beside = load_pack("mine.toml", tmp_path)
    assert beside == spec


@pytest.mark.parametrize(
    ("text", "key", "allowed"),
    [
        ("boxes = [5, 20]", "boxes", "24 in all"),
        ("boxes = []", "boxes", "1 to 6"),
        ("boxes = [1, 1, 1, 1, 1, 1, 1]", "boxes", "1 to 6"),
        ("boxes = [0, 3]", "boxes", "from 1"),
        ("boxes = [true]", "boxes", "whole numbers"),
        ("boxes = 12", "boxes", "a list"),
        ("bokses = [5]", "bokses", "did you mean boxes"),
        ("name = 5", "name", "text"),
        ("module = 5", "module", r"a table: \[module\]"),
        ("[module]\ncapacity_ah = 0", "module.capacity_ah", "1 to 1000"),
        ("[module]\ncapacity_ah = nan", "module.capacity_ah", "1 to 1000"),
        ("[module]\ncapacity_ah = true", "module.capacity_ah", "1 to 1000"),
        ('[module]\ncapacity_ah = "110"', "module.capacity_ah", "1 to 1000"),
        ("[module]\ncapacity_kwh = 1", "module.capacity_kwh", "did you mean capacity_ah"),
        ('[module]\nchemistry = "unobtainium"', "module.chemistry", "agm, flooded, lfp"),
        ("[bus]\nlink_f = inf", "bus.link_f", "1e-05 to 0.1"),
        ("[charger]\nefficiency = 1.2", "charger.efficiency", "0.3 to 1"),
        ("[settings]\nv27_pickup_mv = 1.5", "settings.v27_pickup_mv", "a whole number"),
        ("[settings]\nv27_pickup_mv = true", "settings.v27_pickup_mv", "a whole number"),
        ("boxes = [", "TOML", "valid TOML"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, text: str, key: str, allowed: str) -> None:
    with pytest.raises(InputError) as caught:
        load_pack(written(tmp_path, text))
    error = caught.value
    assert error.key == key
    assert re.search(allowed, error.allowed)
    assert str(error).startswith("%s: " % error.file) and error.key in str(error)
    assert str(error).endswith(": allowed " + error.allowed)
    assert error.file.endswith("mine.toml")


def test_a_pack_that_is_not_there(tmp_path: Path) -> None:
    for name in ("no-such-pack", str(tmp_path)):
        with pytest.raises(InputError):
            load_pack(name)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("charge_state = [0.0,", "charge_state = [0.05,", "tables.charge_state"),
        ("ocv_v = [11.85, 11.95", "ocv_v = [11.95, 11.85", "tables.ocv_v"),
        ("r_factor = [2.5, ", "r_factor = [", "tables.r_factor"),
        ("knee = 0.006", "knee = 6", "values.knee"),
        ("knee = 0.006", "kneee = 0.006", "values.kneee"),
        ('kind = "lead"', 'kind = "tin"', "kind"),
    ],
)
def test_mistakes_in_a_chemistry_are_named(tmp_path: Path, old: str, new: str, key: str) -> None:
    text = (CHEMISTRIES / "agm.toml").read_text()
    assert old in text
    (tmp_path / "mine-too.toml").write_text(text.replace(old, new))
    path = written(tmp_path, '[module]\nchemistry = "mine-too.toml"\n')
    with pytest.raises(InputError) as caught:
        load_pack(path)
    assert caught.value.key == key and caught.value.file.endswith("mine-too.toml")


@pytest.mark.parametrize("name", ["agm", "flooded", "lfp"])
def test_every_value_of_a_chemistry_says_where_it_comes_from(name: str) -> None:
    """Each number of a shipped chemistry is given, and has a comment beside it or above its table."""
    lines = (CHEMISTRIES / (name + ".toml")).read_text().splitlines()
    values = lines[lines.index("[values]") + 1 :]
    keys = {f.name for f in dataclasses.fields(Chemistry) if "low" in f.metadata}
    assert {line.split(" ")[0] for line in values if line} == keys
    assert [line for line in values if line and "#" not in line] == []
    assert load_chemistry(PACKS, name).name == name


def test_defaults_are_within_their_own_bounds() -> None:
    """What the loader would refuse must not be what it starts from."""

    def look(part: object, where: str) -> int:
        seen = 0
        for f in dataclasses.fields(part):  # type: ignore[arg-type]
            value = getattr(part, f.name)
            if dataclasses.is_dataclass(value):
                seen += look(value, where + f.name + ".")
            elif "low" in f.metadata:
                seen += 1
                assert f.metadata["low"] <= value <= f.metadata["high"], where + f.name
        return seen

    assert look(PackSpec(), "") >= 80

"""Pack files: TOML to PackSpec, strictly.  Every mistake is an InputError that names the key and what is allowed."""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
from pathlib import Path
from typing import Any

from packwarden.errors import InputError
from packwarden.plant.spec import BoatSpec, Chemistry, PackSpec

HERE = Path(__file__).parent
PACKS = HERE / "packs"
CHEMISTRIES = HERE / "plant" / "chemistries"
MODULES_MAX, BOXES_MAX = 24, 6


def shipped() -> list[str]:
    """Names of the packs that come with packwarden."""
    return sorted(p.stem for p in PACKS.glob("*.toml"))


def load_pack(name_or_path: str, beside: Path | None = None) -> PackSpec:
    """A shipped pack by name, or a file by path (relative to `beside` when given).  Raises InputError."""
    path = PACKS / (name_or_path + ".toml")
    if not path.exists():
        path = (beside / name_or_path) if beside else Path(name_or_path)
    data = read_toml(path, "pack", "one of %s, or a path to a pack file" % ", ".join(shipped()), name_or_path)
    return _pack(path, data)


def read_toml(path: Path, key: str, allowed: str, shown: str | None = None) -> dict[str, Any]:
    """A TOML file as a dictionary.  Raises InputError when it can't be read or is not TOML."""
    try:
        with open(path, "rb") as stream:
            return tomllib.load(stream)
    except FileNotFoundError:
        raise InputError(shown or path, key, shown or path, allowed) from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(path, key, "unreadable", "a text file that can be read (%s)" % error) from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(path, "TOML", "broken", "valid TOML (%s)" % error) from None


def read_settings(path: Path) -> dict[str, Any]:
    """Settings from a TOML file: at its top, or under [settings] and then nothing else.  Raises InputError."""
    data = read_toml(path, "file", "a TOML file of settings")
    if not isinstance(data.get("settings"), dict):
        return data
    others = [key for key in data if key != "settings"]
    if others:
        raise InputError(path, others[0], "?", "nothing beside [settings]")
    inner: dict[str, Any] = data["settings"]
    return inner


def _pack(path: Path, data: dict[str, Any]) -> PackSpec:
    known = ("name", "about", "boxes", "module", "bus", "charger", "vehicle", "boat", "sensors", "settings")
    _only(path, "", data, known)
    boxes = data.get("boxes", [5, 7])
    rule = "a list of 1 to %d whole numbers from 1, %d in all at most" % (BOXES_MAX, MODULES_MAX)
    if not isinstance(boxes, list) or not all(type(b) is int and b >= 1 for b in boxes):
        raise InputError(path, "boxes", boxes, rule)
    if not 1 <= len(boxes) <= BOXES_MAX or sum(boxes) > MODULES_MAX:
        raise InputError(path, "boxes", boxes, rule)
    plain = PackSpec()
    module = dict(_table(path, data, "module"))
    chemistry = load_chemistry(path, module.pop("chemistry", "agm"))
    parts: dict[str, Any] = {
        "module": dataclasses.replace(_fill(path, "module", plain.module, module), chemistry=chemistry),
        "boat": _fill(path, "boat", BoatSpec(), _table(path, data, "boat")) if "boat" in data else None,
    }
    for name in ("bus", "charger", "vehicle", "sensors"):
        parts[name] = _fill(path, name, getattr(plain, name), _table(path, data, name))
    settings = _table(path, data, "settings")
    for key, value in settings.items():
        if type(value) is not int:
            raise InputError(path, "settings." + key, value, "a whole number")
    texts = {key: data.get(key, path.stem if key == "name" else "") for key in ("name", "about")}
    for key, value in texts.items():
        if not isinstance(value, str):
            raise InputError(path, key, value, "text")
    return PackSpec(boxes=tuple(boxes), settings=dict(settings), file=str(path), **texts, **parts)


def load_chemistry(path: Path, name: Any) -> Chemistry:
    """A shipped chemistry by name, or a file beside the pack file."""
    allowed = "one of %s, or a path to a chemistry file" % ", ".join(sorted(p.stem for p in CHEMISTRIES.glob("*.toml")))
    if not isinstance(name, str):
        raise InputError(path, "module.chemistry", name, allowed)
    place = CHEMISTRIES / (name + ".toml")
    if not place.exists():
        place = path.parent / name
    if not place.exists():
        raise InputError(path, "module.chemistry", name, allowed)
    data = read_toml(place, "chemistry", allowed)
    _only(place, "", data, ("name", "kind", "tables", "values"))
    if data.get("kind") not in ("lead", "lfp"):
        raise InputError(place, "kind", data.get("kind"), "lead or lfp")
    tables = _table(place, data, "tables")
    names = ("charge_state", "ocv_v", "r_factor", "charge_factor")
    _only(place, "tables.", tables, names)
    n = len(tables.get("charge_state", ()))
    for key in names:
        rows = tables.get(key)
        if not isinstance(rows, list) or len(rows) != n or n < 2 or not all(_is_number(v) for v in rows):
            raise InputError(place, "tables." + key, rows, "a list of numbers as long as charge_state, 2 at least")
        low, high = (0.0, 1.0) if key == "charge_state" else (0.01, 1000.0)
        for v in rows:
            if not low <= v <= high:
                raise InputError(place, "tables." + key, v, "%g to %g" % (low, high))
        if key in ("charge_state", "ocv_v") and any(a >= b for a, b in zip(rows, rows[1:])):
            raise InputError(place, "tables." + key, rows, "rising numbers")
    if tables["charge_state"][0] != 0 or tables["charge_state"][-1] != 1:
        raise InputError(place, "tables.charge_state", tables["charge_state"], "numbers from 0 to 1, both ends given")
    filled: Chemistry = _fill(place, "values", Chemistry(), _table(place, data, "values"))
    rest: dict[str, Any] = {key: tuple(tables[key]) for key in names}
    return dataclasses.replace(filled, name=str(data.get("name", place.stem)), kind=data["kind"], **rest)


def _table(path: Path, data: dict[str, Any], key: str) -> dict[str, Any]:
    found = data.get(key, {})
    if not isinstance(found, dict):
        raise InputError(path, key, found, "a table: [%s]" % key)
    return found


def _is_number(value: Any) -> bool:
    return type(value) in (int, float)


def _only(path: Path, prefix: str, data: dict[str, Any], known: tuple[str, ...]) -> None:
    for key in data:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            hint = " (did you mean %s?)" % near[0] if near else ""
            raise InputError(path, prefix + key, "?", "one of %s%s" % (", ".join(known), hint))


def _fill(path: Path, where: str, plain: Any, data: dict[str, Any]) -> Any:
    """`plain` with the numbers in `data`, each within its field's bounds."""
    fields = {f.name: f for f in dataclasses.fields(plain) if "low" in f.metadata}
    _only(path, where + ".", data, tuple(fields))
    for key, value in data.items():
        low, high = fields[key].metadata["low"], fields[key].metadata["high"]
        if not _is_number(value) or not low <= value <= high:
            allowed = "%g to %g, %s" % (low, high, fields[key].metadata["about"])
            raise InputError(path, "%s.%s" % (where, key), value, allowed)
    return dataclasses.replace(plain, **{key: float(value) for key, value in data.items()})

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
BYTES_MAX = 1 << 20  # of a file of ours; the longest that ships has 2 kB


def shipped() -> list[str]:
    """Names of the packs that come with packwarden."""
    return sorted(p.stem for p in PACKS.glob("*.toml"))


def load_pack(name_or_path: str, beside: Path | None = None) -> PackSpec:
    """A shipped pack by name, or a file by path (relative to `beside` when given).  Raises InputError."""
    names = shipped()
    path = PACKS / (name_or_path + ".toml")
    if name_or_path not in names:
        path = (beside / name_or_path) if beside else Path(name_or_path)
    allowed = "one of %s, or a path to a pack file" % ", ".join(names)
    return from_toml(path, read_toml(path, "pack", allowed, name_or_path))


def read_toml(path: Path, key: str, allowed: str, shown: str | None = None) -> dict[str, Any]:
    """A TOML file as a dictionary.  Raises InputError when it can't be read or is not TOML."""
    missing = InputError(shown or path, key, shown or path, allowed)
    try:
        # Not a device or a pipe, that may never end.
        if path.exists() and not path.is_file():
            raise InputError(path, key, "unreadable", "a file")
        with open(path, "rb") as stream:
            raw = stream.read(BYTES_MAX + 1)
    except FileNotFoundError:
        raise missing from None
    except OSError as error:
        why = "a text file that can be read (%s)" % (error.strerror or "unreadable")
        raise InputError(path, key, "unreadable", why) from None
    except ValueError:  # a name with a zero byte
        raise missing from None
    return parse_toml(path, raw)


def parse_toml(path: Any, raw: bytes) -> dict[str, Any]:
    """The dictionary that a file's bytes say.  Raises InputError when they are not TOML in UTF-8."""
    if len(raw) > BYTES_MAX:
        raise InputError(path, "(file)", "too long", "at most %d bytes" % BYTES_MAX)
    try:
        return tomllib.loads(raw.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise InputError(path, "(file)", "not UTF-8", "TOML in UTF-8 (byte %d is not)" % error.start) from None
    except RecursionError:
        raise InputError(path, "TOML", "nested too deep", "tables and lists as the reference has them") from None
    except ValueError as error:  # TOML's own, and a number with more digits than Python reads
        raise InputError(path, "TOML", "broken", "valid TOML (%s)" % error) from None


def from_toml(path: Path, data: dict[str, Any]) -> PackSpec:
    """The pack that a file's data says; a chemistry file is looked for beside it.  Raises InputError."""
    known = ("name", "about", "boxes", "module", "bus", "charger", "vehicle", "boat", "sensors", "settings")
    only(path, "", data, known)
    boxes = data.get("boxes", [5, 7])
    rule = "a list of 1 to %d whole numbers from 1, %d in all at most" % (BOXES_MAX, MODULES_MAX)
    if not isinstance(boxes, list) or not all(type(b) is int and b >= 1 for b in boxes):
        raise InputError(path, "boxes", boxes, rule)
    if not 1 <= len(boxes) <= BOXES_MAX or sum(boxes) > MODULES_MAX:
        raise InputError(path, "boxes", boxes, rule)
    plain = PackSpec()
    module = dict(table(path, data, "module"))
    chemistry = load_chemistry(path, module.pop("chemistry", "agm"))
    parts: dict[str, Any] = {
        "module": dataclasses.replace(fill(path, "module", plain.module, module), chemistry=chemistry),
        "boat": fill(path, "boat", BoatSpec(), table(path, data, "boat")) if "boat" in data else None,
    }
    for name in ("bus", "charger", "vehicle", "sensors"):
        parts[name] = fill(path, name, getattr(plain, name), table(path, data, name))
    settings = table(path, data, "settings")
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
    names = sorted(p.stem for p in CHEMISTRIES.glob("*.toml"))
    allowed = "one of %s, or a path to a chemistry file" % ", ".join(names)
    if not isinstance(name, str):
        raise InputError(path, "module.chemistry", name, allowed)
    place = CHEMISTRIES / (name + ".toml")
    if name not in names:
        place = path.parent / name
        if not _is_file(place):
            raise InputError(path, "module.chemistry", name, allowed)
    data = read_toml(place, "chemistry", allowed)
    only(place, "", data, ("name", "kind", "tables", "values"))
    if data.get("kind") not in ("lead", "lfp"):
        raise InputError(place, "kind", data.get("kind"), "lead or lfp")
    tables = table(place, data, "tables")
    columns = ("charge_state", "ocv_v", "r_factor", "charge_factor")
    only(place, "tables.", tables, columns)
    states = tables.get("charge_state")
    n = len(states) if isinstance(states, list) else 0
    for key in columns:
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
    filled: Chemistry = fill(place, "values", Chemistry(), table(place, data, "values"))
    rest: dict[str, Any] = {key: tuple(tables[key]) for key in columns}
    return dataclasses.replace(filled, name=str(data.get("name", place.stem)), kind=data["kind"], **rest)


def _is_file(path: Path) -> bool:
    """True for a plain file; False for what can't be one, too, such as a name that is too long."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def table(path: Path, data: dict[str, Any], key: str) -> dict[str, Any]:
    """The table [key] of a file, empty when it has none.  Raises InputError when it is something else."""
    found = data.get(key, {})
    if not isinstance(found, dict):
        raise InputError(path, key, found, "a table: [%s]" % key)
    return found


def _is_number(value: Any) -> bool:
    return type(value) in (int, float)


def only(path: Path, prefix: str, data: dict[str, Any], known: tuple[str, ...]) -> None:
    """Raises InputError for a key that is none of `known`."""
    for key in data:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            hint = "did you mean %s? One of " % near[0] if near else "one of "
            raise InputError(path, prefix + key, data[key], hint + ", ".join(known))


def fill(path: Path, where: str, plain: Any, data: dict[str, Any]) -> Any:
    """`plain` with the numbers in `data`, each within its field's bounds."""
    fields = {f.name: f for f in dataclasses.fields(plain) if "low" in f.metadata}
    only(path, where + ".", data, tuple(fields))
    for key, value in data.items():
        low, high = fields[key].metadata["low"], fields[key].metadata["high"]
        if not _is_number(value) or not low <= value <= high:
            allowed = "%g to %g, %s" % (low, high, fields[key].metadata["about"])
            raise InputError(path, "%s.%s" % (where, key), value, allowed)
    return dataclasses.replace(plain, **{key: float(value) for key, value in data.items()})

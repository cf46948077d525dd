"""Kept results read back: tests, proof, campaign, coverage, mutants.

The campaign and the mutation run keep theirs in folders of their own.  Each reader gives a dictionary with `run` (there
is a result, and as far as can be told it is of this firmware), `why` (what is to be said of it, or why there is none)
and its own keys.  A file that is no such result is an InputError; a file that is not there is none.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

from packwarden import paths
from packwarden.bench import hazards, outcome
from packwarden.errors import InputError

HELD, BROKEN, NOT_RUN = "held", "broken", "not run"
STAMP = "firmware"  # under which a result keeps the hash of the firmware that it is of

Part = dict[str, Any]


def absent(how: str) -> Part:
    """A part that was not run."""
    return {"run": False, "why": how}


def tests(path: Path, firmware: str) -> Part:
    """JUnit XML as pytest writes it.  `by_name`: test without parameters -> its counts and state."""
    if not path.is_file():
        return absent("`make test` leaves %s" % path.name)
    try:
        root = ET.parse(path).getroot()
    except ET.ParseError as error:
        raise InputError(path, "XML", str(error), "the JUnit XML of pytest") from None
    by_name: dict[str, dict[str, Any]] = {}
    when = ""
    stamps = {p.get("value", "") for p in root.iter("property") if p.get("name") == STAMP}
    for suite in root.iter("testsuite"):
        when = when or suite.get("timestamp", "")[:19]
    for case in root.iter("testcase"):
        name = "%s.py::%s" % (case.get("classname", "").replace(".", "/"), case.get("name", "").partition("[")[0])
        row = by_name.setdefault(name, {"passed": 0, "failed": 0, "skipped": 0})
        found = {child.tag for child in case}
        if found & {"failure", "error"}:
            row["failed"] += 1
        elif "skipped" in found:
            row["skipped"] += 1
        else:
            row["passed"] += 1
    for row in by_name.values():
        row["state"] = BROKEN if row["failed"] else HELD if row["passed"] else NOT_RUN
    totals = {word: sum(row[word] for row in by_name.values()) for word in ("passed", "failed", "skipped")}
    if stamps != {firmware}:
        why = "kept, but of other firmware" if stamps else "kept, but it doesn't say of which firmware"
        return {"run": False, "why": "%s: run the tests again" % why, "when": when, **totals, "by_name": {}}
    return {"run": True, "why": "", "when": when, **totals, "by_name": by_name}


def _json(path: Path, what: str) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, UnicodeDecodeError) as error:
        raise InputError(path, "JSON", str(error)[:80], what) from None


def _of_other(data: Any, firmware: str) -> str:
    """What to say of a result that is of other firmware; empty when it is of this one, or doesn't say."""
    stamp = data.get(STAMP, "") if isinstance(data, dict) else ""
    return "" if stamp in ("", firmware) else "kept, but of other firmware: run it again"


def proof(path: Path, firmware: str) -> Part:
    """What `packwarden prove --json` printed.  `properties`: number -> state and what was said of it."""
    if not path.is_file():
        return absent("`packwarden prove --json` leaves what belongs in %s" % path.name)
    data = _json(path, "what `packwarden prove --json` prints")
    rows = data.get("properties") if isinstance(data, dict) else None
    if not isinstance(rows, list):
        raise InputError(path, "properties", rows, "a list: what `packwarden prove --json` prints")
    properties = {}
    for row in rows:
        number = str(row.get("number", "?"))
        holds = row.get("holds")
        state = HELD if holds is True else BROKEN if holds is False else NOT_RUN
        broken = [*map(str, row.get("broken", ())), *("says nothing: %s" % name for name in row.get("empty", ()))]
        said = "; ".join(broken[:3]) or "%s claims" % row.get("claims", "no")
        properties[number] = {"state": state, "said": said}
    other = _of_other(data, firmware)
    return {"run": not other, "why": other, "properties": {} if other else properties}


# Verdicts of the campaign that are as they should be.  A cell of another needs a word.
GOOD = tuple(name for name, _about in outcome.VERDICTS if name not in outcome.BAD)


def campaign(path: Path, firmware: str) -> Part:
    """The campaign's result file.  `cells`: one dictionary with faults, mode, verdict, times, and the word on it."""
    if not path.is_file():
        return absent("`packwarden campaign` leaves %s" % path.name)
    data = _json(path, "what `packwarden campaign` writes")
    rows = data.get("results") if isinstance(data, dict) else None
    if not isinstance(rows, list):
        raise InputError(path, "results", rows, "a list: what `packwarden campaign` writes")
    cells = []
    for row in rows:
        came = row.get("outcome", {})
        cells.append({
            "key": str(row.get("key", "")), "pack": str(row.get("pack", "")), "mode": str(row.get("mode", "")),
            "faults": [str(fault["kind"]) for fault in row.get("faults", ())],
            "verdict": str(came.get("verdict", "")), "said": list(came.get("said") or ()),
            "trip": (came.get("trip") or {}).get("what", ""), "safe_ms": came.get("safe_ms"),
            "budget_ms": came.get("budget_ms"), "passed": list(came.get("passed") or ()),
            "why": str(came.get("why", "")),
            "word": "; ".join(hazards.answers(row.get("faults", ()), came.get("passed") or ())),
        })  # fmt: skip
    other = _of_other(data, firmware)
    kept = {key: data.get(key) for key in ("profile", "seed", "settings")}
    return {"run": not other, "why": other, **kept, "cells": [] if other else cells}


def coverage(path: Path) -> Part:
    """`coverage json`: percent of the firmware's lines and branches."""
    if not path.is_file():
        return absent("`coverage json` leaves %s" % path.name)
    data = _json(path, "what `coverage json` writes")
    files = data.get("files") if isinstance(data, dict) else None
    if not isinstance(files, dict):
        raise InputError(path, "files", files, "what `coverage json` writes")
    rows = []
    for name, row in sorted(files.items()):
        name = name.replace("\\", "/")
        if "firmware/warden/" in name:
            summary = row.get("summary", {})
            rows.append({
                "file": name[name.index("firmware/") :], "percent": summary.get("percent_covered"),
                "lines": summary.get("num_statements"), "missing": summary.get("missing_lines"),
                "branches": summary.get("num_branches"), "partial": summary.get("num_partial_branches"),
            })  # fmt: skip
    when = str(data.get("meta", {}).get("timestamp", ""))[:19]
    return {"run": bool(rows), "why": "kept; nothing ties it to this very firmware", "when": when, "rows": rows}


# What a mutation run depends on, as tests/mutants/run.py digests it.
MUTANTS_OF = ("firmware", "tests/firmware", "tests/properties", "tests/mutants")


def mutants_digest() -> str:
    """Of everything that a mutant's verdict depends on, as the mutation run keeps it."""
    found = hashlib.sha256()
    for place in MUTANTS_OF:
        for path in sorted((paths.ROOT / place).rglob("*.py")):
            found.update(path.name.encode() + path.read_bytes())
    return found.hexdigest()


def mutants(folder: Path) -> Part:
    """Mutants of the firmware: how many, killed, alive, and how many of these are explained."""
    if not (folder / "digest").is_file():
        return absent("`make mutants` leaves its verdicts in %s" % folder.name)
    if (folder / "digest").read_text() != mutants_digest():
        return {"run": False, "why": "kept, but of other firmware or tests: `make mutants` again"}
    verdicts = {}
    for path in sorted(folder.glob("verdicts-*.jsonl")):
        for line in path.read_text(encoding="utf-8").splitlines():
            try:
                row = json.loads(line)
                verdicts[row["key"]] = row["verdict"]
            except (ValueError, KeyError, TypeError):
                continue  # cut off by an interrupt
    listed = paths.ROOT / "tests" / "mutants" / "survivors.toml"
    explained = len(tomllib.loads(listed.read_text(encoding="utf-8")).get("survivor", [])) if listed.is_file() else 0
    counts = {"changes tried": len(verdicts)}
    for verdict in sorted(set(verdicts.values())):
        counts[verdict] = sum(each == verdict for each in verdicts.values())
    counts["explained in survivors.toml"] = explained
    return {"run": bool(verdicts), "why": "" if verdicts else "begun, and nothing judged yet", "counts": counts}

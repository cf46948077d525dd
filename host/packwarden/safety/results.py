"""Kept results read back: tests, proof, campaign, coverage, mutants.

Each reader gives a dictionary with `run` (there is a result that is of this firmware, as far as it can be told), `why`
(what is to be said of it, or why there is none) and its own keys.  A file that is no such result is an InputError; a
file that is not there is none.
"""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

from packwarden.errors import InputError

HELD, BROKEN, NOT_RUN = "held", "broken", "not run"
STAMP = "firmware"  # under which a result keeps the hash of the firmware that it is of

Part = dict[str, Any]


def absent(how: str) -> Part:
    """A part that was not run."""
    return {"run": False, "why": "not run here: %s" % how}


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
        outcome = {child.tag for child in case}
        if outcome & {"failure", "error"}:
            row["failed"] += 1
        elif "skipped" in outcome:
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
        number = str(row.get("number", row.get("id", "?")))
        state = HELD if row.get("held") is True else BROKEN if row.get("held") is False else NOT_RUN
        said = row.get("how") or row.get("about") or row.get("why") or ""
        properties[number] = {"state": state, "said": str(said)}
    other = _of_other(data, firmware)
    return {"run": not other, "why": other, "properties": {} if other else properties}


# Verdicts of the campaign that are as they should be; and those of which each cell needs a word.
GOOD = ("quiet", "harmless", "safe", "detected")
HAZARDOUS = ("hazard", "undetected hazard")


def campaign(path: Path, firmware: str) -> Part:
    """The campaign's result file.  `cells`: one dictionary each with faults, mode, verdict and times."""
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


def mutants(path: Path, firmware: str) -> Part:
    """Mutants of the firmware: how many, killed, argued equivalent, alive."""
    if not path.is_file():
        return absent("the mutation run leaves %s" % path.name)
    data = _json(path, "what the mutation run writes")
    if not isinstance(data, dict):
        raise InputError(path, "JSON", type(data).__name__, "an object")
    other = _of_other(data, firmware)
    counts = {k: v for k, v in data.items() if isinstance(v, (int, float)) and not isinstance(v, bool)}
    return {"run": not other, "why": other, "counts": counts}

"""The evidence gathered into one dictionary that JSON can hold: scenarios run here, the rest from kept results.

`collect` gathers; packwarden.views.evidence makes the page of it.
"""

from __future__ import annotations

import datetime
import re
from pathlib import Path
from typing import Any, Callable, Mapping, Optional

from packwarden import batch, packs, paths
from packwarden.bench import relay_tables, tables, verdict
from packwarden.bench import scenario as scenarios_module
from packwarden.bench.result import RunResult
from packwarden.safety import results, trace
from packwarden.safety.results import BROKEN, GOOD, HELD, NOT_RUN
from packwarden.safety.versions import versions

FORM = 1  # of the dictionary
QUICK_S = 400.0  # scenarios of more simulated time than this are left out with `quick`
LIMIT, SHORT = "known limit", "one kind only"  # states besides those of results
OPERATED = re.compile(r"^(\w+)/(\w+) at ")

Tell = Callable[[str, float, float], None]
Part = dict[str, Any]

# Where kept results are, in the folder that is looked in.
KEPT = {
    "tests": "tests.xml", "proof": "proof.json", "campaign": "campaign/campaign.json",
    "coverage": "coverage.json", "mutants": "mutants",
}  # fmt: skip


def kept_in(folder: Path) -> dict[str, Path]:
    """The file or folder of each kept result."""
    return {name: folder / place for name, place in KEPT.items()}


def collect(pack: str, kept: Mapping[str, Path], quick: bool, tell: Tell) -> Part:
    """Everything.  `kept`: the file of each kept result.  InputError for a pack or a result that can't be used."""
    spec = packs.load_pack(pack)
    values = scenarios_module.settings_of(spec)
    digest = tables.checked(values, pack)
    about = versions()
    firmware = about["firmware_hash"]
    parts: Part = {
        "tests": results.tests(kept["tests"], firmware),
        "proof": results.proof(kept["proof"], firmware),
        "campaign": results.campaign(kept["campaign"], firmware),
        "coverage": results.coverage(kept["coverage"]),
        "mutants": results.mutants(kept["mutants"]),
        "scenarios": run_scenarios(quick, tell),
    }
    return {
        "form": FORM,
        "made": datetime.datetime.now(datetime.timezone.utc).strftime("%Y-%m-%d %H:%M UTC"),
        "quick": quick,
        "versions": about,
        "pack": {"name": spec.name, "about": spec.about, "modules": spec.n_modules, "boxes": list(spec.boxes)},
        "settings": {"digest": digest, "rows": _settings(tables.named(values))},
        "properties": dict(trace.PROPERTIES),
        "hazards": _hazards(),
        "requirements": [_requirement(r, parts) for r in trace.requirements()],
        "budgets": _budgets(parts),
        "tables": _tables(parts),
        **parts,
    }


def held(data: Part) -> bool:
    """No requirement is broken.  What was not run is not held, but not broken either."""
    return not any(r["state"] == BROKEN for r in data["requirements"])


# -- scenarios --------------------------------------------------------------------------------------------------


def run_scenarios(quick: bool, tell: Tell) -> Part:
    """The shipped scenarios, run in process, each with its verdicts and what operated."""
    rows, left_out = [], []
    for path in batch.shipped():
        (each,) = batch.load([path.stem], None)
        if quick and each.end_s > QUICK_S:
            left_out.append(path.stem)
            continue
        outcome = batch.run(each, ("in-process",), tell)
        told = _of_run(outcome.results[0]) if outcome.results else {"verdicts": [], "operated": []}
        rows.append({
            "name": path.stem, "about": each.about, "pack": each.pack, "failed": outcome.failed, "held": outcome.held,
            **told,
        })  # fmt: skip
    why = "left out because of --quick: %s" % ", ".join(left_out) if left_out else ""
    return {"run": bool(rows), "why": why, "rows": rows}


def _of_run(result: RunResult) -> Part:
    operated: dict[str, int] = {}
    for line in result.events:
        if line.kind == "event" and line.fields["on"] == "1":
            name = "%s/%s" % (line.fields["el"], line.fields["stage"])
            operated[name] = operated.get(name, 0) + 1
    return {
        "digest": result.settings_digest,
        "simulated_s": result.simulated_s,
        "operated": sorted(operated),
        "verdicts": [
            {"text": v.text, "held": v.held, "measured": v.measured, "took_ms": v.took_ms, "budget_ms": v.budget_ms}
            for v in result.verdicts
        ],
    }


# -- the tables and settings ------------------------------------------------------------------------------------


def _settings(values: dict[str, tables.Value]) -> list[Part]:
    rows = []
    for row in tables.setting_rows():
        value = values[row.name]
        shown: Any = value
        if row.name == "reset_code":  # never shown
            shown = "set" if value else "not set"
        rows.append({
            "name": row.name, "unit": row.unit, "low": row.low, "high": row.high, "about": row.about,
            "value": shown, "changed": value != row.default,
        })  # fmt: skip
    return rows


def _hazards() -> list[Part]:
    return [
        {
            **vars(h),
            "builder": list(h.builder),
            "requirements": [r.id for r in trace.requirements() if h.id in r.hazards],
        }
        for h in trace.hazards()
    ]


def _tables(parts: Part) -> Part:
    """Each row of the firmware's tables with the requirements that ask for it, and where it operated."""
    who = trace.named(trace.requirements())
    seen: dict[str, list[str]] = {}
    for row in parts["scenarios"]["rows"]:
        for name in row["operated"]:
            seen.setdefault(name, []).append(row["name"])
    cells: dict[str, int] = {}
    for cell in parts["campaign"].get("cells", ()):
        for name in {said.partition("@")[0] for said in cell["said"]}:
            cells[name] = cells.get(name, 0) + 1
    elements = []
    for e in tables.element_rows():
        name = "%s/%s" % (e.number, e.stage)
        elements.append({
            "name": name, "about": e.about, "over": e.over, "pickup": e.pickup, "dropout": e.dropout, "delay": e.delay,
            "asks": list(e.actions), "awake": list(e.awake), "trips": e.trips, "switch": e.switch,
            "requirements": who["elements"].get(name, []), "scenarios": seen.get(name, []), "cells": cells.get(name, 0),
        })  # fmt: skip
    out: Part = {"elements": elements}
    for kind, names, rows in (
        ("permissives", relay_tables.permissive_names(), relay_tables.permissive_rows()),
        ("transitions", relay_tables.transition_names(), relay_tables.transition_rows()),
        ("outputs", relay_tables.output_names(), relay_tables.output_rows()),
    ):
        lines = [[c.strip() for c in line.strip("| ").split(" | ")] for line in rows.splitlines()]
        out[kind] = {
            "heads": lines[0],
            "rows": [[*line, " ".join(who[kind].get(name, []))] for name, line in zip(names, lines[2:])],
        }
    return out


# -- states -------------------------------------------------------------------------------------------------------


def _requirement(r: trace.Requirement, parts: Part) -> Part:
    shown = [{"kind": kind, "ref": ref, **_state(kind, ref, parts)} for kind, ref in r.shown()]
    states = [each["state"] for each in shown]
    ran = {each["kind"] for each in shown if each["state"] in (HELD, LIMIT)}
    if BROKEN in states:
        state = BROKEN
    elif len(ran) >= trace.KINDS_MIN:
        state = LIMIT if LIMIT in states else HELD
    else:
        state = SHORT if ran else NOT_RUN
    return {
        "id": r.id, "text": r.text, "why": r.why, "hazards": list(r.hazards), "state": state,
        "missing": states.count(NOT_RUN), "kinds": sorted(ran), "shown": shown,
        "means": {kind: list(refs) for kind, refs in r.means.items() if refs},
        "budgets": [{"name": name, "text": trace.budget_text(name)} for name in r.budgets],
    }  # fmt: skip


def _state(kind: str, ref: str, parts: Part) -> Part:
    """The state of one reference, and a note on it."""
    if kind == "tests":
        row = parts["tests"].get("by_name", {}).get(ref)
        if row is None:
            return {"state": NOT_RUN, "note": ""}
        note = ", ".join("%d %s" % (row[word], word) for word in ("passed", "failed", "skipped") if row[word])
        return {"state": row["state"], "note": note}
    if kind == "scenarios":
        found: Optional[Part] = next((row for row in parts["scenarios"]["rows"] if row["name"] == ref), None)
        if found is None:
            return {"state": NOT_RUN, "note": ""}
        n = len(found["verdicts"])
        return {"state": HELD if found["held"] else BROKEN, "note": found["failed"] or "%d expectations" % n}
    if kind == "proofs":
        said = parts["proof"].get("properties", {}).get(ref)
        return {"state": said["state"], "note": said["said"]} if said else {"state": NOT_RUN, "note": ""}
    if kind == "rules":
        return _rule_state(parts["tests"].get("by_name", {}))
    if kind == "campaign":
        return _cell_state(ref, parts["campaign"].get("cells", ()))
    return {"state": NOT_RUN, "note": ""}


def _rule_state(by_name: Part) -> Part:
    """The oracle looks at all of its rules after every scan of every history: they stand and fall together."""
    ran = [row for name, row in by_name.items() if name.startswith("tests/properties/")]
    if not (paths.ROOT / "tests" / "properties" / "oracle.py").is_file() or not any(row["passed"] for row in ran):
        return {"state": NOT_RUN, "note": ""}
    state = BROKEN if any(row["failed"] for row in ran) else HELD
    return {"state": state, "note": "in each of %d tests" % len(ran)}


def _cell_state(ref: str, cells: Any) -> Part:
    fault, _, mode = ref.partition("@")
    mine = [c for c in cells if c["faults"] == [fault] and c["mode"] == mode]
    if not mine:
        return {"state": NOT_RUN, "note": ""}
    counts: dict[str, int] = {}
    for c in mine:
        counts[c["verdict"]] = counts.get(c["verdict"], 0) + 1
    note = ", ".join("%d %s" % (n, v) for v, n in sorted(counts.items()))
    bad = [c for c in mine if c["verdict"] not in GOOD]
    if not bad:
        return {"state": HELD, "note": note}
    return {"state": LIMIT if all(c.get("word") for c in bad) else BROKEN, "note": note}


def _budgets(parts: Part) -> list[Part]:
    """Each budget with the longest time measured against it, by scenarios and by the campaign."""
    worst: dict[str, Part] = {}
    for row in parts["scenarios"]["rows"]:
        for v in row["verdicts"]:
            match = OPERATED.match(v["measured"])
            if match and v["took_ms"] is not None:
                _worst(worst, "%s/%s" % match.groups(), "scenario", v["took_ms"], v["budget_ms"], row["name"])
    for cell in parts["campaign"].get("cells", ()):
        if cell["trip"] and cell["safe_ms"] is not None and len(cell["faults"]) == 1:
            name = cell["trip"].partition("@")[0]
            _worst(worst, name, "campaign", cell["safe_ms"], cell["budget_ms"], cell["key"])
    who = trace.named(trace.requirements())["budgets"]
    out = []
    for number, stage, _ms, about in verdict.BUDGETS:
        name = trace.budget_name(number, stage)
        stages = [k for k in worst if k == name or not stage and k.partition("/")[0] == number]
        found = {by: max((worst[k][by] for k in stages if by in worst[k]), key=lambda w: w["took_ms"], default=None)
                 for by in ("scenario", "campaign")}  # fmt: skip
        out.append(
            {"name": name, "about": about, "text": trace.budget_text(name), "requirements": who.get(name, []), **found}
        )
    return out


def _worst(worst: dict[str, Part], name: str, by: str, took_ms: int, budget_ms: Optional[int], where: str) -> None:
    was = worst.setdefault(name, {}).get(by)
    if was is None or took_ms > was["took_ms"]:
        worst[name][by] = {"took_ms": took_ms, "budget_ms": budget_ms, "where": where}

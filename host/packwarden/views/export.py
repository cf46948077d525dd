"""Results for scripts: JSON with documented keys, and the traces as CSV.

KEYS is the documentation; docs/results.md is made from it, and a test holds both to what `as_data` gives.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import asdict
from typing import Any, Optional

from packwarden.bench.result import RunResult
from packwarden.views import words
from packwarden.views.words import Context

# key, type, meaning.  `list of` means one such object for each; its keys follow with the list's name before them.
KEYS = (
    ("scenario", "text", "name of the scenario"),
    ("about", "text", "what it shows"),
    ("pack", "text", "name of the pack"),
    ("target", "text", "what ran the relay: in-process or interpreter"),
    ("python", "text", "which Python that was"),
    ("compared", "object or null", "with --target both: what the comparison of the targets gave"),
    ("compared.same", "flag", "lines byte for byte and outputs alike"),
    ("compared.text", "text", "the same in words, with the first line that differs"),
    ("held", "flag", "every expectation held, and the targets, if two ran, said the same"),
    ("story", "text", "what came of it, in a sentence or two"),
    ("relay", "text", "firmware version, protocol and settings digest, as the relay says"),
    ("settings_digest", "text", "digest of the settings in use, hex"),
    ("settings", "object", "settings that the scenario changes, name to value"),
    ("seeds", "object", "seed of each source of random numbers"),
    ("simulated_s", "number", "length of the run in simulated time, s"),
    ("wall_s", "number", "length of the run in real time, s"),
    ("scans", "whole", "how many scans"),
    ("scan_ms", "whole", "scan interval, ms"),
    ("phases", "list of objects", "the course"),
    ("phases.name", "text", "name of the phase"),
    ("phases.do", "text", "what the person does"),
    ("phases.start_s", "number", "when it begins, s"),
    ("phases.end_s", "number", "when it ends, s"),
    ("phases.scan_ms", "whole", "largest scan interval in it, ms"),
    ("faults", "list of objects", "faults, as they were injected"),
    ("faults.kind", "text", "kind of fault"),
    ("faults.place", "whole or null", "module or box, from 1"),
    ("faults.size", "number", "size in the kind's unit"),
    ("faults.start_s", "number or null", "when it began, s; null: its moment never came"),
    ("faults.end_s", "number or null", "when it ended, s; null: at the end of the run"),
    ("inputs_s", "list of numbers or null", "when each input of the scenario came, s; null: never"),
    ("operations", "list of objects", "stages of elements that operated, by first time"),
    ("operations.element", "text", "device number"),
    ("operations.stage", "text", "stage of the element"),
    ("operations.ix", "whole", "module or box, from 1; 0 for the string"),
    ("operations.place", "text", "the same in words"),
    ("operations.trips", "flag", "a trip, not an alarm"),
    ("operations.t_s", "number", "when it first operated, s"),
    ("operations.value", "text", "its quantity at that moment, with the unit"),
    ("operations.text", "text", "what it means"),
    ("operations.times", "whole", "how often it operated"),
    ("operations.since", "text", "fault or input that `took_ms` counts from, or empty"),
    ("operations.took_ms", "whole or null", "time from there, ms: of a trip to every power output off"),
    ("operations.budget_ms", "whole or null", "time allowed by the expectation that it answers, ms"),
    ("operations.margin_ms", "whole or null", "what is left of it, ms"),
    ("verdicts", "list of objects", "expectations"),
    ("verdicts.text", "text", "what was expected"),
    ("verdicts.held", "flag", "whether it held"),
    ("verdicts.measured", "text", "what was seen"),
    ("verdicts.budget_ms", "whole or null", "time allowed, ms"),
    ("verdicts.took_ms", "whole or null", "time it took, ms"),
    ("figures", "object", "every figure, name to number; null where the relay never said"),
    ("counters", "object", "the relay's own counters, the last it said"),
    ("replies", "object", "of a board: how many answers, how long they took (ms), how many scans were sent too late"),
    ("events", "list of objects", "what the relay said, but for measurements"),
    ("events.t_s", "number", "when, s"),
    ("events.kind", "text", "kind of line"),
    ("events.level", "text", "trip, alarm, end (a release), mode, told"),
    ("events.text", "text", "the line in words"),
    ("events.fields", "object", "its fields as sent"),
    ("switchings", "list of objects", "when the main contactor's contact really made or broke"),
    ("switchings.t_s", "number", "when, s"),
    ("switchings.closed", "flag", "made, not broke"),
    ("switchings.i_a", "number", "current then, A"),
    ("switchings.link_v", "number", "link voltage just before, V"),
    ("switchings.string_v", "number", "string voltage, V"),
    ("lines_bytes", "whole", "length of the relay's line stream, bytes"),
    ("lines_spoilt", "whole", "lines of it that do not decode"),
    ("files", "object", "files written for this run: report, traces, lines"),
)


def as_data(result: RunResult, context: Context, files: Optional[dict[str, str]] = None) -> dict[str, Any]:
    """A run as plain data that `json` takes, with the keys of KEYS."""
    s = result.scenario
    return {
        "scenario": s.name,
        "about": s.about,
        "pack": s.pack,
        "target": result.target,
        "python": context.python,
        "compared": None if context.same is None else {"same": context.same, "text": context.compared},
        "held": result.held and context.same is not False,
        "story": words.story(result),
        "relay": result.identity,
        "settings_digest": result.settings_digest,
        "settings": dict(s.settings),
        "seeds": dict(result.seeds),
        "simulated_s": result.simulated_s,
        "wall_s": round(result.wall_s, 3),
        "scans": result.scans,
        "scan_ms": s.scan_ms,
        "phases": [
            {"name": p.name, "do": p.do, "start_s": p.start_s, "end_s": p.end_s, "scan_ms": p.scan_ms}
            for p in s.phases
        ],
        "faults": [
            {"kind": f.kind, "place": f.place + 1 if f.place >= 0 else None, "size": f.size,
             "start_s": f.start_s, "end_s": f.end_s}
            for f in result.faults
        ],
        "inputs_s": list(result.inputs),
        "operations": [{**asdict(done), "margin_ms": done.margin_ms} for done in words.operations(result)],
        "verdicts": [asdict(v) for v in result.verdicts],
        "figures": {
            name: None if math.isnan(value) else value for name, value, _unit, _about in words.figures(result)
        },
        "counters": dict(result.counters),
        "replies": dict(result.replies),
        "events": [
            {"t_s": e.t_s, "kind": e.kind, "level": words.level(e), "text": words.say(e), "fields": dict(e.fields)}
            for e in result.events
        ],
        "switchings": [asdict(switching) for switching in result.switchings],
        "lines_bytes": len(result.lines),
        "lines_spoilt": result.spoilt,
        "files": dict(files or {}),
    }  # fmt: skip


def as_csv(result: RunResult) -> str:
    """Every row of the traces, all columns, with a heading; SI units as in the columns' names."""
    names = list(result.traces)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    for row in zip(*result.traces.values()):
        writer.writerow(["%.6g" % x if n else "%.3f" % x for n, x in enumerate(row)])
    return out.getvalue()


def reference() -> str:
    """KEYS as a Markdown table."""
    rows = ["| key | type | meaning |", "|---|---|---|"]
    return "\n".join([*rows, *("| `%s` | %s | %s |" % row for row in KEYS)]) + "\n"

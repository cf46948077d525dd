"""The made part of docs/safety.md: hazards, requirements, and the trace both ways.

`python -m packwarden.safety.reference` writes it.
"""

from __future__ import annotations

from packwarden import paths
from packwarden.bench import hazards as campaign_hazards
from packwarden.bench import reference
from packwarden.bench.faults import KINDS
from packwarden.safety import trace
from packwarden.safety.trace import MEANS, SHOWS, Requirement

PAGE = "safety.md"

# kind -> what the page calls it
WORDS = {
    "elements": "element rows", "permissives": "permissive rows", "transitions": "transition rows",
    "outputs": "output rows", "settings": "settings", "budgets": "budgets", "proofs": "properties proved",
    "tests": "tests", "scenarios": "scenarios", "rules": "rules of the oracle", "campaign": "faults of the campaign",
}  # fmt: skip


def hazards() -> str:
    """Each hazard as a short section."""
    who = {h.id: [r.id for r in trace.requirements() if h.id in r.hazards] for h in trace.hazards()}
    out = ["## Hazards"]
    for h in trace.hazards():
        out += [
            "### %s: %s" % (h.id, h.name),
            "%s Hurt: %s. Made by: %s." % (h.happens, h.whom, h.causes),
            "What the builder must do in hardware:",
            "\n".join("- " + line for line in h.builder),
            "What packwarden can't do: %s" % (h.cannot[0].lower() + h.cannot[1:]),
            "Requirements: %s." % ", ".join(who[h.id]),
        ]
    return "\n\n".join(out)


def requirements() -> str:
    """Each requirement with its reason."""
    out = ["## Requirements", "", "| no. | the relay must | why | hazards | budget |", "|" + "---|" * 5]
    for r in trace.requirements():
        budgets = "; ".join("%s: %s" % (name, trace.budget_text(name)) for name in r.budgets)
        out.append("| %s | %s | %s | %s | %s |" % (r.id, r.text, r.why, " ".join(r.hazards), budgets))
    return "\n".join(out)


def evidence() -> str:
    """From requirements to what shows them."""
    out = ["## From requirement to evidence"]
    for r in trace.requirements():
        lines = ["- %s: %s" % (WORDS[kind], _codes(r.means[kind])) for kind in MEANS if r.means[kind]]
        lines += ["- shown by %s: %s" % (WORDS[kind], _shown(r, kind)) for kind in SHOWS if r.shows[kind]]
        out += ["**%s** %s" % (r.id, r.text), "\n".join(lines)]
    return "\n\n".join(out)


def _codes(references: tuple[str, ...]) -> str:
    return ", ".join("`%s`" % x for x in references)


def _shown(r: Requirement, kind: str) -> str:
    if kind == "proofs":
        return "; ".join("%s (%s)" % (x, trace.PROPERTIES.get(x, "?")) for x in r.shows[kind])
    return _codes(r.shows[kind])


def back() -> str:
    """From evidence to requirements, everything that is named."""
    who = trace.named(trace.requirements())
    out = ["## From evidence to requirement"]
    for kind in (*MEANS, "budgets", *SHOWS):
        named = who["faults" if kind == "campaign" else kind]
        if named:
            rows = ["| `%s` | %s |" % (x, " ".join(named[x])) for x in sorted(named)]
            title = WORDS[kind][0].upper() + WORDS[kind][1:]
            out += ["### " + title, "\n".join(["| what | requirements |", "|---|---|", *rows])]
    return "\n\n".join(out)


def hardware() -> str:
    """Faults that the campaign shows to be hazards whatever the relay does, and the builder's answer to each."""
    out = [
        "## What only hardware can answer",
        "Faults from which the campaign (docs/campaign.md) saw something pass its limit, said or not said. The relay's "
        "program can't end these alone: whoever builds the car has to.",
        "| fault | what passes its limit | what the builder must do |\n|---|---|---|",
    ]
    for kind, (quantities, answer) in sorted(campaign_hazards.HARDWARE.items()):
        passed = "; ".join(campaign_hazards.BY_NAME[name].about for name in quantities)
        out[-1] += "\n| `%s`: %s | %s | %s |" % (kind, KINDS[kind].about, passed, answer)
    return "\n\n".join(out)


def whole() -> str:
    """Everything that is made."""
    return "\n\n".join((hazards(), hardware(), requirements(), evidence(), back()))


if __name__ == "__main__":
    file = paths.ROOT / "docs" / PAGE
    file.write_text(reference.page(file.read_text(encoding="utf-8"), whole), encoding="utf-8")

"""`packwarden prove`: settle the numbered properties, and show on the bench what is broken."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any, Optional

import click
from rich.console import Console
from rich.table import Table

from packwarden.batch import writable
from packwarden.errors import InputError
from packwarden.safety.versions import firmware_hash

LIMITS = (
    "Proved of the firmware's own source and tables as they are on this disk, not of a board: the sampling, the "
    "measuring in sense.py, the interpreter and the hardware are tested, not proved."
)


def _solver() -> Any:
    """The proof, which needs a solver that a plain install does not have."""
    try:
        from packwarden.proof import properties, replay
    except ModuleNotFoundError as error:
        if error.name != "z3":
            raise
        raise click.ClickException("the proof needs the solver z3: pip install 'packwarden[proof]'") from None
    return properties, replay


@click.command()
@click.option("--property", "numbers", multiple=True, help="Only this one, by its number.  May be given again.")
@click.option("--out", type=click.Path(path_type=Path), default="out", show_default=True,
              help="Where counterexamples go.")  # fmt: skip
@click.option("--no-replay", is_flag=True, help="Do not look for a run on the bench that shows what is broken.")
@click.option("--json", "as_json", is_flag=True, help="Results as JSON on stdout in place of a table.")
@click.pass_context
def prove(ctx: click.Context, numbers: tuple[str, ...], out: Path, no_replay: bool, as_json: bool) -> None:
    """Prove the properties of docs/proof.md of the firmware's own tables and source.

    For one that is broken it says where and with what, and looks for a scenario that shows it on the bench: a file
    that `packwarden bench` runs.  Exit 0 when all hold, 1 when one does not.
    """
    properties, replay = _solver()
    unknown = [n for n in numbers if n not in properties.BY_NUMBER]
    if unknown:
        raise InputError("--property", "number", unknown[0], "one of " + ", ".join(properties.BY_NUMBER))
    writable(out)
    wanted = [p for p in properties.PROPERTIES if not numbers or p.number in numbers]
    people = Console(stderr=as_json, width=None if sys.stdout.isatty() else 150, highlight=False)
    started = time.perf_counter()
    with people.status("proving ...") as status:
        outcomes = properties.Prover().run(
            wanted, lambda number, n, of: status.update("proving %s (%d of %d) ..." % (number, n + 1, of))
        )
        took_s = time.perf_counter() - started
        shown: dict[str, Optional[tuple[Any, Path]]] = {}
        bench = replay.Bench()
        for each in outcomes:
            number = each.of.number
            if each.holds or no_replay:
                continue
            rows = tuple(dict.fromkeys(row for f in each.failures for row in f.rows))
            found = bench.counterexample(
                number, rows, lambda name, n=number: status.update("%s is broken; trying %s ..." % (n, name))
            )  # fmt: skip
            shown[number] = None
            if found:
                words = each.failures[0].in_words() if each.failures else "says nothing"
                shown[number] = found, replay.write(found, number, words, out)
    if as_json:
        click.echo(json.dumps(as_data(properties, outcomes, shown, took_s), indent=1))
    else:
        _tell(people, properties, outcomes, shown, took_s, no_replay)
    ctx.exit(0 if all(o.holds for o in outcomes) else 1)


def as_data(properties: Any, outcomes: list[Any], shown: dict[str, Any], took_s: float) -> dict[str, Any]:
    """What `--json` prints, and what `packwarden evidence` keeps."""
    rows = []
    for o in outcomes:
        found = shown.get(o.of.number)
        rows.append({
            "number": o.of.number, "title": o.of.title, "holds": o.holds, "claims": o.claims,
            "took_s": round(o.took_s, 3), "broken": [f.in_words() for f in o.failures], "empty": o.empty,
            "counterexample": str(found[1]) if found else None,
        })  # fmt: skip
    return {
        "firmware": firmware_hash(), "holds": all(o.holds for o in outcomes), "covered": properties.covered(outcomes),
        "limits": LIMITS, "took_s": round(took_s, 2), "properties": rows,
    }  # fmt: skip


def _tell(
    people: Console, properties: Any, outcomes: list[Any], shown: dict[str, Any], took_s: float, no_replay: bool
) -> None:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head, right in (("no.", False), ("property", False), ("claims", True), ("s", True), ("", False)):
        table.add_column(head, justify="right" if right else "left", no_wrap=head != "property")
    for o in outcomes:
        word = "proved" if o.holds else "[bold red]BROKEN[/]"
        table.add_row(o.of.number, o.of.title, "%d" % o.claims, "%.1f" % o.took_s, word)
    people.print(table)
    for o in outcomes:
        if o.holds:
            continue
        number = o.of.number
        people.print("\n[bold]%s[/] %s" % (number, o.of.title))
        for failure in o.failures[:5]:
            people.print("  broken: " + failure.in_words(), markup=False)
        if len(o.failures) > 5:
            people.print("  and %d more" % (len(o.failures) - 5))
        for name in o.empty:
            people.print("  says nothing, because its condition can't come about: " + name, markup=False)
        found = shown.get(number)
        if found:
            people.print("  on the bench: " + found[0].broke, markup=False)
            people.print("  see it: packwarden bench %s" % found[1], markup=False)
        elif not no_replay:
            people.print("  no scenario tried shows it: what it changes, if anything, lies outside of them")
    good = sum(o.holds for o in outcomes)
    people.print("\n%d of %d properties proved in %.0f s." % (good, len(outcomes), took_s))
    people.print(properties.covered(outcomes))
    people.print(LIMITS)

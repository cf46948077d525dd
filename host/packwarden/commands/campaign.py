"""The subcommand `campaign`: plan, run over workers or a cluster, resume, judge, show."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any, Optional

import click
from rich.console import Console
from rich.text import Text

from packwarden import batch, packs
from packwarden.bench import campaign as engine
from packwarden.bench import cells, cluster, courses, hazards, outcome, schema
from packwarden.bench.faults import KINDS
from packwarden.bench.lane import Lane, LaneError
from packwarden.bench.scenario import settings_of
from packwarden.errors import InputError
from packwarden.plant.spec import PackSpec
from packwarden.views import campaign_page, campaign_table
from packwarden.views.campaign_sums import Sums
from packwarden.views.progress import progress

PAGE = "campaign.html"


@click.command()
@click.option("--profile", type=click.Choice(list(cells.PROFILES)), default="default", show_default=True,
              help="How much: " + "; ".join("%s: %s" % (name, row.about) for name, row in cells.PROFILES.items()) + ".")
@click.option("--runs", type=click.IntRange(1, 10**6), help="A sample of this many cells.")
@click.option("--pack", "pack_names", multiple=True, help="Only this pack; may be given again.")
@click.option("--fault", "kinds", multiple=True, help="Only cells with this fault; may be given again.")
@click.option("--mode", "modes", multiple=True, type=click.Choice(courses.MODES), help="Only this mode.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Of the campaign.")
@click.option("--out", type=click.Path(path_type=Path), default="out/campaign", show_default=True,
              help="Folder of the record and of the page.")
@click.option("--json", "as_json", is_flag=True, help="What came of it as JSON on stdout in place of tables.")
@click.option("--fresh", is_flag=True, help="Begin anew, whatever the folder holds.")
@click.option("--workers", type=click.IntRange(1, 256), help="Worker processes; as many as processors when not said.")
@click.option("--python", help="The Python of the workers; the best found when not said.")
@click.option("--scheduler", help="Address of a Dask scheduler: run on its workers in place of our own.")
@click.option("--show", "key", help="Write this cell as a scenario file, run it, say what came of it, and stop.")
@click.pass_context
def campaign(
    ctx: click.Context, profile: str, runs: Optional[int], pack_names: tuple[str, ...], kinds: tuple[str, ...],
    modes: tuple[str, ...], seed: int, out: Path, as_json: bool, fresh: bool, workers: Optional[int],
    python: Optional[str], scheduler: Optional[str], key: Optional[str],
) -> None:  # fmt: skip
    """Every fault in every mode, in sizes, places and moments, and pairs of faults: what does the relay miss?

    Stopped or killed, it goes on where it was when it is called again.  Exit code 0: whatever stands out has its
    answer in hardware (docs/campaign.md); 1: something has none.
    """
    chosen = _packs(pack_names)
    batch.writable(out)
    if key is not None:
        ctx.exit(_show(key, out, as_json))
    for kind in kinds:
        if kind not in KINDS:
            raise InputError("campaign", "--fault", kind, schema.near(kind, list(KINDS)))
    if scheduler is not None and (workers is not None or python is not None):
        raise click.UsageError("--scheduler has workers of its own: no --workers or --python with it")
    plan = cells.plan(profile, seed, chosen, kinds, modes, runs)
    if not plan:
        raise InputError("campaign", "--fault, --mode", ", ".join([*kinds, *modes]), "a fault in a mode it can be in")
    header = engine.header_of(profile, seed, chosen, plan)
    lane = _lane(workers, python, scheduler)
    record = engine.Record(out / engine.RECORD, header, fresh)
    stderr = Console(stderr=True)
    if record.done:
        torn = ", a torn line dropped" if record.dropped else ""
        text = "resuming: %d of %d cells are in %s%s" % (len(record.done), len(plan), record.path, torn)
        stderr.print(Text(text, "dim"))
    try:
        with progress(stderr) as tell:
            engine.run(plan, chosen, record, lane.run, tell)
    except KeyboardInterrupt:
        record.close()
        text = "interrupted: %d of %d cells are kept in %s; the same command goes on from there"
        click.echo("packwarden: " + text % (len(record.done), len(plan), record.path), err=True)
        ctx.exit(130)
    finally:
        lane.close()
    record.close()
    data = engine.final(header, plan, record)
    batch.write(out / engine.FINAL, data)
    sums = Sums(json.loads(data))
    batch.write(out / PAGE, campaign_page.page(sums))
    if as_json:
        click.echo(json.dumps(_as_data(sums, out), indent=1))
    else:
        people = Console(width=None if os.isatty(1) else 150, highlight=False)
        campaign_table.show(people, sums)
        people.print(Text("page: %s\nrecord: %s" % (out / PAGE, out / engine.FINAL), "dim"))
    ctx.exit(0 if sums.held else 1)


def _packs(names: tuple[str, ...]) -> dict[str, PackSpec]:
    """The packs by name: those that ship, or those named."""
    found = {}
    for name in names or packs.shipped():
        if name not in packs.shipped():
            raise InputError("campaign", "--pack", name, "one of " + ", ".join(packs.shipped()))
        found[name] = packs.load_pack(name)
    return found


def _lane(workers: Optional[int], python: Optional[str], scheduler: Optional[str]) -> Any:
    """A cluster that is there, or processes of our own; the same interface.  InputError."""
    if scheduler is not None:
        return cluster.Cluster(scheduler)
    try:
        return Lane(workers or os.cpu_count() or 1, python)
    except LaneError as error:
        raise InputError("campaign", "--python", python, "a Python that runs the bench (%s)" % error) from None


def _show(key: str, out: Path, as_json: bool) -> int:
    """Write a cell as a scenario, run it, and say what came of it."""
    try:
        cell = cells.parse(key)
        spec = packs.load_pack(cell["pack"])
    except (ValueError, KeyError):
        raise InputError("campaign", "--show", key, "the key of a cell, as in campaign.json and its page") from None
    file = out / (key + ".toml")
    batch.write(file, as_toml(courses.data(cell, spec.boat is not None)))
    result = outcome.run_cell({"cell": cell, "spec": outcome.spec_as_data(spec)})
    limits = hazards.limits(spec, settings_of(spec))
    if as_json:
        click.echo(json.dumps({"file": str(file), "cell": cell, "outcome": result, "limits": limits}, indent=1))
    else:
        people = Console(width=None if os.isatty(1) else 150, highlight=False)
        campaign_table.one(people, dict(cell, outcome=result), limits)
        people.print(Text("packwarden bench '%s'" % file, "bold"))
    return 1 if result["verdict"] in outcome.BAD else 0


def as_toml(data: dict[str, Any]) -> str:
    """A scenario file's data as TOML."""
    out = ["# Made by packwarden campaign: one cell as a scenario."]
    for name, value in data.items():
        for table in value if isinstance(value, list) else [value]:
            out += ["", "[[%s]]" % name if isinstance(value, list) else "[%s]" % name]
            # JSON's strings, numbers and flags are TOML's, too.
            out += ["%s = %s" % (k, json.dumps(v)) for k, v in table.items()]
    return "\n".join(out) + "\n"


def _as_data(sums: Sums, out: Path) -> dict[str, Any]:
    """What came of it, for scripts."""
    return {
        **sums.header,
        "held": sums.held,
        "counts": dict(sums.counts),
        "unexplained": [row["key"] for row in sums.unexplained()],
        "bad": sums.bad(),
        "files": {"record": str(out / engine.FINAL), "page": str(out / PAGE)},
    }

"""The subcommand `evidence`: gather what shows each requirement, and write the page to show to an inspector."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path
from typing import Any, Optional

import click
from rich.console import Console

from packwarden import batch, packs
from packwarden.bench import campaign as engine
from packwarden.bench import cells
from packwarden.bench.lane import Lane
from packwarden.commands import prove
from packwarden.errors import InputError
from packwarden.safety import evidence as gathered
from packwarden.safety import results
from packwarden.safety.results import BROKEN, HELD, NOT_RUN
from packwarden.safety.versions import firmware_hash
from packwarden.views import evidence as view
from packwarden.views.progress import Tell, progress

PAGE, DATA = "evidence.html", "evidence.json"
SEED = 1  # of a campaign that is run here


@click.command()
@click.option("--pack", default="orchard-truck", show_default=True, help="Whose settings: a pack's name, or a file.")
@click.option("--quick", is_flag=True,
              help="A short campaign, and no scenario of more than %d simulated s." % gathered.QUICK_S)  # fmt: skip
@click.option("--no-run", is_flag=True, help="Run neither proof nor campaign: only what is kept counts.")
@click.option("--out", type=click.Path(path_type=Path), default="out", show_default=True, help="Where it goes.")
@click.option("--kept", type=click.Path(path_type=Path), help="Where kept results are; --out when not said.")
@click.option("--workers", type=click.IntRange(1, 256), help="Of the campaign; as many as processors when not said.")
@click.option("--json", "as_json", is_flag=True, help="What was gathered as JSON on stdout.")
@click.pass_context
def evidence(
    ctx: click.Context, pack: str, quick: bool, no_run: bool, out: Path, kept: Optional[Path], workers: Optional[int],
    as_json: bool,
) -> None:  # fmt: skip
    """Gather the evidence for each requirement (docs/safety.md) and write one page to show to an inspector.

    Scenarios are run; proof and campaign, too, where none is kept of this very firmware.  Tests, coverage and mutants
    are taken as they are kept.  What is not there is called not run.  Exit code 1 when something that ran broke a
    requirement.
    """
    packs.load_pack(pack)  # before anything long
    batch.writable(out)
    files = gathered.kept_in(kept or out)
    with progress(Console(stderr=True)) as tell:
        if not no_run:
            if not results.proof(files["proof"], firmware_hash())["run"]:
                files["proof"] = _proof(out, tell) or files["proof"]
            if not results.campaign(files["campaign"], firmware_hash())["run"]:
                files["campaign"] = _campaign("quick" if quick else "default", out, workers, tell)
        data = gathered.collect(pack, files, quick, tell)
    text = json.dumps(data, indent=1, ensure_ascii=False)
    batch.write(out / DATA, text + "\n")
    batch.write(out / PAGE, view.page(data))
    if as_json:
        click.echo(text)
    else:
        _say(data, out)
    ctx.exit(0 if gathered.held(data) else 1)


def _proof(out: Path, tell: Tell) -> Optional[Path]:
    """Prove every property, and keep what came of it; None where the solver is not installed."""
    try:
        from packwarden.proof import properties
    except ModuleNotFoundError as error:
        if error.name != "z3":
            raise
        return None
    started = time.perf_counter()
    outcomes = properties.Prover().run(properties.PROPERTIES, lambda number, n, of: tell("proof", n, of))
    data = prove.as_data(properties, outcomes, {}, time.perf_counter() - started)
    batch.write(out / gathered.KEPT["proof"], json.dumps(data, indent=1) + "\n")
    return out / gathered.KEPT["proof"]


def _campaign(profile: str, out: Path, workers: Optional[int], tell: Tell) -> Path:
    """Run a campaign of the packs that ship in a folder of its own; it goes on where an interrupted one stopped."""
    chosen = {name: packs.load_pack(name) for name in packs.shipped()}
    plan = cells.plan(profile, SEED, chosen)
    header = engine.header_of(profile, SEED, chosen, plan)
    folder = out / ("evidence-campaign-%s" % profile)
    try:
        record = engine.Record(folder / engine.RECORD, header)
    except InputError:  # of other firmware or bench: of no use here, and nobody else's
        record = engine.Record(folder / engine.RECORD, header, fresh=True)
    lane = Lane(workers or os.cpu_count() or 1)
    try:
        engine.run(plan, chosen, record, lane.run, tell)
    finally:
        lane.close()
        record.close()
    batch.write(folder / engine.FINAL, engine.final(header, plan, record))
    return folder / engine.FINAL


def _say(data: dict[str, Any], out: Path) -> None:
    """How it stands, and what broke."""
    states = [r["state"] for r in data["requirements"]]
    for state in (HELD, gathered.LIMIT, gathered.SHORT, NOT_RUN, BROKEN):
        click.echo("%-13s %3d of %d requirements" % (state, states.count(state), len(states)))
    for r in data["requirements"]:
        if r["state"] == BROKEN:
            bad = ["%s %s" % (each["kind"], each["ref"]) for each in r["shown"] if each["state"] == BROKEN]
            click.echo("%s broken by %s" % (r["id"], ", ".join(bad)))
    click.echo("%s: open it, print it, sign it" % (out / PAGE))

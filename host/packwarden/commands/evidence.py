"""The subcommand `evidence`: gather what shows each requirement, and write the page to show to an inspector."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Optional

import click
from rich.console import Console

from packwarden import batch
from packwarden.safety import evidence as gathered
from packwarden.safety.results import BROKEN, HELD, NOT_RUN
from packwarden.views import evidence as view
from packwarden.views.progress import progress

PAGE, DATA = "evidence.html", "evidence.json"


@click.command()
@click.option("--pack", default="orchard-truck", show_default=True, help="Whose settings: a pack's name, or a file.")
@click.option("--quick", is_flag=True, help="Leave out scenarios of more than %d simulated s." % gathered.QUICK_S)
@click.option("--out", type=click.Path(path_type=Path), default="out", show_default=True, help="Where it goes.")
@click.option("--kept", type=click.Path(path_type=Path), help="Where kept results are; --out when not said.")
@click.option("--json", "as_json", is_flag=True, help="What was gathered as JSON on stdout.")
@click.pass_context
def evidence(ctx: click.Context, pack: str, quick: bool, out: Path, kept: Optional[Path], as_json: bool) -> None:
    """Gather the evidence for each requirement (docs/safety.md) and write one page to show to an inspector.

    Scenarios are run.  The rest is taken from kept results where they are of this very firmware: tests, proof,
    campaign, coverage, mutants; what is not there is called not run.  Exit code 1 when something that ran broke a
    requirement.
    """
    batch.writable(out)
    with progress(Console(stderr=True)) as tell:
        data = gathered.collect(pack, kept or out, quick, tell)
    text = json.dumps(data, indent=1, ensure_ascii=False)
    batch.write(out / DATA, text + "\n")
    batch.write(out / PAGE, view.page(data))
    if as_json:
        click.echo(text)
    else:
        states = [r["state"] for r in data["requirements"]]
        for state in (HELD, gathered.LIMIT, gathered.SHORT, NOT_RUN, BROKEN):
            click.echo("%-13s %3d of %d requirements" % (state, states.count(state), len(states)))
        for r in data["requirements"]:
            if r["state"] == BROKEN:
                bad = ["%s %s" % (each["kind"], each["ref"]) for each in r["shown"] if each["state"] == BROKEN]
                click.echo("%s broken by %s" % (r["id"], ", ".join(bad)))
        click.echo("%s: open it, print it, sign it" % (out / PAGE))
    ctx.exit(0 if gathered.held(data) else 1)

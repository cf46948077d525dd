"""The command `packwarden evidence`.  The command line hands in how the page is made: this room knows no views."""

from __future__ import annotations

import json
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Callable

import click
from rich.console import Console

from packwarden import batch
from packwarden.safety import evidence
from packwarden.safety.results import BROKEN, HELD, NOT_RUN

PAGE, DATA = "evidence.html", "evidence.json"

Progress = Callable[[Console], AbstractContextManager[evidence.Tell]]


def command(page: Callable[[dict[str, Any]], str], progress: Progress) -> click.Command:
    """The command.  page: the report's text from what was collected."""

    @click.command("evidence")
    @click.option(
        "--pack", default="orchard-truck", show_default=True, help="Whose settings: a pack's name, or a file."
    )
    @click.option("--quick", is_flag=True, help="Leave out scenarios of more than %d simulated s." % evidence.QUICK_S)
    @click.option("--out", type=click.Path(path_type=Path), default="out", show_default=True, help="Where it goes.")
    @click.option("--kept", type=click.Path(path_type=Path), help="Where kept results are; --out when not said.")
    @click.option("--json", "as_json", is_flag=True, help="What was collected as JSON on stdout.")
    @click.pass_context
    def run(ctx: click.Context, pack: str, quick: bool, out: Path, kept: Path | None, as_json: bool) -> None:
        """Gather the evidence for each requirement (docs/safety.md) and write one page to show to an inspector.

        Scenarios are run.  The rest is taken from kept results where they are of this very firmware: tests.xml,
        proof.json, campaign.json, coverage.json, mutants.json; what is not there is called not run.  Exit code 1 when
        something that ran broke a requirement.
        """
        batch.writable(out)
        with progress(Console(stderr=True)) as tell:
            data = evidence.collect(pack, kept or out, quick, tell)
        text = json.dumps(data, indent=1, ensure_ascii=False)
        batch.write(out / DATA, text + "\n")
        batch.write(out / PAGE, page(data))
        if as_json:
            click.echo(text)
        else:
            states = [r["state"] for r in data["requirements"]]
            for state in (HELD, evidence.LIMIT, NOT_RUN, BROKEN):
                click.echo("%-12s %3d of %d requirements" % (state, states.count(state), len(states)))
            for r in data["requirements"]:
                if r["state"] == BROKEN:
                    bad = ["%s %s" % (each["kind"], each["ref"]) for each in r["shown"] if each["state"] == BROKEN]
                    click.echo("%s broken by %s" % (r["id"], ", ".join(bad)))
            click.echo("%s: open it, print it, sign it" % (out / PAGE))
        ctx.exit(0 if evidence.held(data) else 1)

    return run

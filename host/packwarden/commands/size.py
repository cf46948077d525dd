"""`packwarden size`: what the parts round a pack must stand, in a table, as JSON, and as a page with plots."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any, Optional, Sequence

import click
from rich.console import Console

from packwarden import batch, packs
from packwarden.bench import schema
from packwarden.errors import InputError
from packwarden.sizing import topics
from packwarden.sizing.job import Job
from packwarden.sizing.parts import load_parts
from packwarden.sizing.result import MEANING, REFUSE, VERDICTS
from packwarden.views import sizing_page, sizing_table


@click.command()
@click.argument("pack", default="orchard-truck")
@click.option(
    "--parts", type=click.Path(path_type=Path), help="TOML file of hardware, where it differs from the reference."
)
@click.option("--only", multiple=True, metavar="NAME", help="Only this topic.  May be given again.")
@click.option("--list", "listing", is_flag=True, help="Say which topics there are, and stop.")
@click.option("--all", "every", is_flag=True, help="Every result in the table, with formula and source.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for a page with plots, PACK-sizing.html.")
@click.option("--json", "as_json", is_flag=True, help="Results as JSON on stdout in place of the table.")
@click.pass_context
def size(
    ctx: click.Context,
    pack: str,
    parts: Optional[Path],
    only: tuple[str, ...],
    listing: bool,
    every: bool,
    out: Optional[Path],
    as_json: bool,
) -> None:
    """Compute what a pack's parts must stand, and how well the relay measures with them (docs/sizing.md).

    PACK is the name of a pack that comes with packwarden (orchard-truck when left out), or a pack file.

    Exit 0 when nothing is refused, 1 when something is, 2 for input that can't be used.
    """
    if listing:
        width = max(map(len, topics.NAMES))
        for topic in topics.TOPICS:
            click.echo("%-*s  %s" % (width, topic.name, topic.about))
        return
    for name in only:
        if name not in topics.NAMES:
            raise InputError("--only", "topic", name, schema.near(name, list(topics.NAMES)))
    job = Job.of(packs.load_pack(pack), load_parts(parts))
    if out is not None:
        batch.writable(out)
    people = Console(stderr=as_json, width=None if sys.stdout.isatty() else 150, highlight=False)
    with people.status("sizing ...") as status:
        done = topics.run(job, only, lambda name: status.update("sizing %s ..." % name))
    page = None
    if out is not None:
        page = out / ("%s-sizing.html" % job.pack.name)
        batch.write(page, sizing_page.page(job, done))
    if as_json:
        click.echo(json.dumps(as_data(job, done, page), indent=1))
    else:
        sizing_table.table(people, job, done, every)
        if page is not None:
            people.print("page: %s" % page, markup=False)
    ctx.exit(1 if any(d.verdict == REFUSE for d in done) else 0)


def as_data(job: Job, done: Sequence[topics.Done], page: Optional[Path] = None) -> dict[str, Any]:
    """Everything as what JSON can hold; docs/sizing.md lists the keys."""
    counts = {v: sum(r.verdict == v for d in done for r in d.report.results) for v in VERDICTS}
    return {
        "pack": job.pack.name,
        "parts": job.parts.name,
        "held": counts[REFUSE] == 0,
        "verdicts": counts,
        "meaning": dict(MEANING),
        "page": str(page) if page else None,
        "topics": [
            {
                "topic": d.topic.name,
                "about": d.topic.about,
                "verdict": d.verdict,
                "results": [
                    {
                        "name": r.name,
                        "what": r.what,
                        "value": r.value,
                        "unit": r.unit,
                        "limit": r.limit,
                        "verdict": r.verdict,
                        "word": r.why,
                        "formula": r.formula,
                        "source": r.source,
                        "assumes": list(r.assumes),
                        "caution": r.caution,
                    }
                    for r in d.report.results
                ],
            }
            for d in done
        ],
    }

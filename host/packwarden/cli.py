"""The command `packwarden`.

Exit codes: 0 what was expected held; 1 it did not, or targets differ, or a run failed; 2 input that can't be
used, told in one line on stderr and nothing written; 130 interrupted.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any, NoReturn, Optional

import click
from rich.console import Console
from rich.text import Text

from packwarden import batch, cycles, packs
from packwarden.bench import scenario as scenarios_module
from packwarden.bench import tables
from packwarden.bench.faults import KINDS
from packwarden.bench.inprocess import firmware_version
from packwarden.bench.target import TargetError
from packwarden.commands.campaign import campaign
from packwarden.commands.deploy import deploy
from packwarden.commands.evidence import evidence
from packwarden.commands.prove import prove
from packwarden.commands.size import size
from packwarden.commands.virtual_board import virtual_board
from packwarden.deploy.target import BoardTarget
from packwarden.errors import InputError
from packwarden.views import export, report, table, words
from packwarden.views.progress import progress

WIDE = 150  # columns of a table where the terminal says none
TARGETS = (*tables.TARGETS, "both", BoardTarget.name)


def console() -> Console:
    """stdout for people: as wide as the terminal, else wide enough."""
    return Console(width=None if sys.stdout.isatty() else WIDE, highlight=False)


@click.group(invoke_without_command=True, context_settings={"max_content_width": 110})
@click.version_option(firmware_version(), prog_name="packwarden")
@click.pass_context
def cli(ctx: click.Context) -> None:
    """The host side of a protective relay for a home-built traction pack."""
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


cli.add_command(prove)
cli.add_command(campaign)
cli.add_command(evidence)
cli.add_command(size)
cli.add_command(deploy)
cli.add_command(virtual_board)


# -- bench ---------------------------------------------------------------------------------------------------


@cli.command()
@click.argument("scenario", nargs=-1)
@click.option("--all", "every", is_flag=True, help="Every scenario that comes with packwarden.")
@click.option("--list", "listing", is_flag=True, help="Say which those are, and stop.")
@click.option("--target", type=click.Choice(TARGETS), default=TARGETS[0], show_default=True, help="What runs it.")
@click.option("--port", help="Of the board, with --target board: a device or any pyserial URL.")
@click.option("--hurry", is_flag=True, help="With --target board: as fast as it goes, not in real time.")
@click.option("--out", type=click.Path(path_type=Path), default="out", show_default=True, help="Where reports go.")
@click.option("--report", "page", type=click.Path(path_type=Path), help="Name of the report, when there is one.")
@click.option("--no-report", is_flag=True, help="Write no report.")
@click.option("--traces", is_flag=True, help="Also write every trace as NAME.csv.")
@click.option("--lines", is_flag=True, help="Also write what the relay said, byte for byte, as NAME.TARGET.lines.")
@click.option("--json", "as_json", is_flag=True, help="Results as JSON on stdout (docs/results.md) in place of tables.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), help="In place of the scenarios' own.")
@click.pass_context
def bench(
    ctx: click.Context, scenario: tuple[str, ...], every: bool, listing: bool, target: str, port: Optional[str],
    hurry: bool, out: Path, page: Optional[Path], no_report: bool, traces: bool, lines: bool, as_json: bool,
    seed: Optional[int],
) -> None:  # fmt: skip
    """Run scenarios against a simulated car and say whether what must be true was true.

    SCENARIO is the name of one that comes with packwarden, or a file.  With --target both each runs on the firmware's
    files under this Python and in a MicroPython interpreter, and both must say the same, byte for byte.  With --target
    board it runs on a board with the bench strap fitted, in real time.
    """
    if listing:
        ctx.invoke(scenarios, as_json=as_json)
        return
    if every and scenario or not every and not scenario:
        raise click.UsageError("name scenarios, or --all")
    if page is not None and (no_report or every or len(scenario) > 1):
        raise click.UsageError("--report names the report of one scenario")
    if (target == BoardTarget.name) != (port is not None) or hurry and port is None:
        raise click.UsageError("--target board and --port go together; --hurry is for them")
    names = [path.stem for path in batch.shipped()] if every else list(scenario)
    chosen = batch.load(names, seed)
    if traces or lines or not no_report and page is None:
        batch.writable(out)
    if page is not None:
        batch.writable(page.parent)
    wanted = tables.TARGETS if target == "both" else (target,)
    board = BoardTarget(port, not hurry) if port is not None else None
    if board is not None:
        board.look()
    people, done = console(), []
    outcomes: list[batch.Outcome] = []
    with progress(Console(stderr=True)) as tell:
        for each in chosen:
            outcome = batch.run(each, wanted, tell, board)
            outcomes.append(outcome)
            files = _files(outcome, out, page, no_report, traces, lines)
            done.append((outcome, files))
    if as_json:
        _print_json(_as_data(done))
    else:
        _tell(people, done)
    for each in chosen:
        if not each.expects:
            click.echo("packwarden: %s: nothing was expected, so nothing could fail" % each.name, err=True)
    ctx.exit(0 if all(outcome.held for outcome in outcomes) else 1)


def _context(outcome: batch.Outcome) -> words.Context:
    return words.Context(
        python=", ".join(outcome.pythons), targets=tuple(r.target for r in outcome.results),
        same=outcome.same, compared=outcome.compared,
    )  # fmt: skip


def _files(
    outcome: batch.Outcome, out: Path, page: Optional[Path], no_report: bool, traces: bool, lines: bool
) -> dict[str, str]:
    """Write what is wanted of one scenario; kind -> file."""
    files: dict[str, str] = {}
    if not outcome.results:
        return files
    result, name = outcome.results[-1], outcome.scenario.name
    if traces:
        files["traces"] = str(out / (name + ".csv"))
        batch.write(Path(files["traces"]), export.as_csv(result))
    if lines:
        for each in outcome.results:
            key = "lines" if len(outcome.results) == 1 else "lines." + each.target
            files[key] = str(out / ("%s.%s.lines" % (name, each.target)))
            batch.write(Path(files[key]), each.lines)
    if not no_report and not outcome.failed:
        files["report"] = str(page or out / (name + ".html"))
        batch.write(Path(files["report"]), report.report(result, _context(outcome)))
    return files


def _tell(people: Console, done: list[tuple[batch.Outcome, dict[str, str]]]) -> None:
    """Tables: each run in full where there are few, else the broken ones and a line for each."""
    few = len(done) <= 3
    for outcome, files in done:
        if outcome.results and (few or not outcome.held):
            table.run(people, outcome.results[-1], _context(outcome))
        if outcome.failed:
            people.print(Text("%s failed: %s" % (outcome.scenario.name, outcome.failed), "bold red"))
        if few:
            for kind, file in files.items():
                people.print(Text("%s: %s" % (kind, file), "dim"))
    if not few:
        whole = [(o.results[-1], _context(o)) for o, _files in done if o.results and not o.failed]
        table.summary(people, whole, [(o.scenario.name, o.failed) for o, _files in done if o.failed])
        held = sum(o.held for o, _files in done)
        people.print(Text("%d of %d scenarios held" % (held, len(done)), "green" if held == len(done) else "bold red"))


def _as_data(done: list[tuple[batch.Outcome, dict[str, str]]]) -> dict[str, Any]:
    return {
        "packwarden": firmware_version(),
        "held": all(outcome.held for outcome, _files in done),
        "runs": [
            export.as_data(result, words.Context(python, _context(o).targets, o.same, o.compared), files)
            for o, files in done
            for result, python in zip(o.results, o.pythons)
        ],
        "failed": [{"scenario": o.scenario.name, "why": o.failed} for o, _files in done if o.failed],
    }


def _print_json(data: Any) -> None:
    click.echo(json.dumps(data, indent=1, ensure_ascii=False))


# -- what there is -------------------------------------------------------------------------------------------

JSON = click.option("--json", "as_json", is_flag=True, help="As JSON.")


def _print(heads: tuple[str, ...], rows: list[dict[str, Any]], as_json: bool, right: tuple[str, ...] = ()) -> None:
    """Rows as a table of `heads`, or all of them as JSON."""
    if as_json:
        _print_json(rows)
        return
    grid = table.grid(heads, right)
    for row in rows:
        cells = (row[head.replace(" ", "_")] for head in heads)
        grid.add_row(*(Text(", ".join(map(str, c)) if isinstance(c, (list, tuple)) else str(c)) for c in cells))
    console().print(grid)


@cli.command()
@JSON
def scenarios(as_json: bool) -> None:
    """The scenarios that come with packwarden."""
    rows = []
    for path in batch.shipped():
        s = scenarios_module.load(path)
        rows.append({
            "name": s.name, "pack": s.pack, "length": words.length(s.end_s), "length_s": s.end_s,
            "faults": [f.kind for f in s.faults], "expectations": len(s.expects), "about": s.about,
        })  # fmt: skip
    _print(("name", "length", "expectations", "about"), rows, as_json, ("length", "expectations"))


@cli.command()
@JSON
def faults(as_json: bool) -> None:
    """The faults that a scenario can inject."""
    rows: list[dict[str, Any]] = []
    for kind in KINDS.values():
        sized = kind.low != kind.high
        size = "%g to %g %s, %g if not said" % (kind.low, kind.high, kind.unit, kind.default) if sized else ""
        rows.append({
            "kind": kind.name, "group": kind.group, "place": kind.place, "size": size, "low": kind.low,
            "high": kind.high, "default": kind.default, "unit": kind.unit, "size_means": kind.size_about,
            "modes": list(kind.modes), "can_end": kind.undone, "about": kind.about,
        })  # fmt: skip
    _print(("kind", "place", "size", "about"), rows, as_json)


@cli.command()
@JSON
def elements(as_json: bool) -> None:
    """The protective elements, by IEEE C37.2 device number, with their pickups at default settings."""
    default = {row.name: row.default for row in tables.setting_rows()}
    rows: list[dict[str, Any]] = []
    for row in tables.element_rows():
        pickup = row.pickup if isinstance(row.pickup, int) else default[row.pickup]
        delay = row.delay if isinstance(row.delay, int) else default[row.delay]
        unit = words.UNIT[row.pickup] if isinstance(row.pickup, str) else ""
        assert isinstance(pickup, int) and isinstance(delay, int)
        shown = "" if not unit else ("over " if row.over else "under ") + words.with_unit(pickup, unit)
        rows.append({
            "element": row.number, "stage": row.stage, "watches": row.watches, "picks_up": shown,
            "pickup": row.pickup, "dropout": row.dropout, "delay": row.delay, "after": words.duration(delay) or "0 ms",
            "asks_for": list(row.actions), "trips": row.trips, "in_modes": list(row.awake), "switch": row.switch,
            "budget_ms": row.budget_ms, "about": row.about,
        })  # fmt: skip
    _print(("element", "stage", "watches", "picks up", "after", "asks for", "about"), rows, as_json, ("after",))


@cli.group(invoke_without_command=True)
@JSON
@click.pass_context
def settings(ctx: click.Context, as_json: bool) -> None:
    """Every setting of the relay, with unit, bounds, default and meaning."""
    if ctx.invoked_subcommand is not None:
        return
    rows = []
    for row in tables.setting_rows():
        many = row.count > 1
        same = isinstance(row.default, tuple) and len(set(row.default)) == 1
        rows.append({
            "setting": row.name + (".0 to .%d" % (row.count - 1) if many else ""), "name": row.name, "count": row.count,
            "unit": row.unit, "lowest": row.low, "highest": row.high,
            "default": row.default[0] if same and isinstance(row.default, tuple) else row.default, "about": row.about,
        })  # fmt: skip
    right = ("lowest", "highest", "default")
    _print(("setting", "unit", "lowest", "highest", "default", "about"), rows, as_json, right)


@settings.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--pack", "pack_name", help="Over the settings of this pack, not over the defaults.")
@JSON
def settings_check(file: Path, pack_name: Optional[str], as_json: bool) -> None:
    """Check a TOML file of settings as the relay would, and print the digest that it would show.

    The file says `name = value`, at its top or under [settings]; a setting with several values is a list, or
    "name.0" = value.
    """
    data = tables.settings_data(packs.read_toml(file, "file", "a TOML file of settings"), str(file))
    values = scenarios_module.settings_of(packs.load_pack(pack_name)) if pack_name else tables.defaults()
    changed = tables.placed(values, data, str(file))
    found = tables.checked(values, str(file))
    if as_json:
        _print_json({"file": str(file), "digest": found, "given": len(data), "changed": changed})
        return
    base = "the pack's" if pack_name else "the defaults"
    click.echo("%s: good; %d given, %d other than %s; digest %s" % (file, len(data), len(changed), base, found))


@cli.command()
@click.argument("name", required=False)
@JSON
def pack(name: Optional[str], as_json: bool) -> None:
    """A pack in figures, checked; without a name, which packs there are."""
    if name is None:
        rows: list[dict[str, Any]] = [{"name": each, "about": packs.load_pack(each).about} for each in packs.shipped()]
        _print(("name", "about"), rows, as_json)
        return
    spec = packs.load_pack(name)
    digest = tables.checked(scenarios_module.settings_of(spec), name)
    m, bus, boat = spec.module, spec.bus, spec.boat
    middle = m.chemistry.ocv_v[len(m.chemistry.ocv_v) // 2]
    volts = middle * spec.n_modules
    figures: list[tuple[str, Any, str]] = [
        ("name", spec.name, ""),
        ("about", spec.about, ""),
        ("modules", spec.n_modules, ""),
        ("boxes", list(spec.boxes), "modules each"),
        ("chemistry", m.chemistry.name, ""),
        ("capacity", m.capacity_ah, "Ah, 20 h rate"),
        ("string voltage", round(volts, 1), "V open, half charged, 25 degC"),
        ("energy", round(volts * m.capacity_ah / 1000, 1), "kWh at that"),
        ("string resistance", round(spec.n_modules * m.resistance_ohm * 1000, 1), "mohm, modules only, full, 25 degC"),
        ("controller limit", bus.controller_a, "A"),
        ("sag at that", round(bus.controller_a * (spec.n_modules * m.resistance_ohm + bus.cable_ohm), 1), "V"),
        ("fuse", bus.fuse_a, "A"),
        ("precharge time constant", round(bus.precharge_ohm * bus.link_f * 1000), "ms"),
        ("charger", spec.charger.power_w, "W"),
        ("mass", boat.mass_kg if boat else spec.vehicle.mass_kg, "kg"),
        ("settings of its own", len(spec.settings), ""),
        ("settings digest", digest, ""),
    ]
    if as_json:
        _print_json({key.replace(" ", "_"): value for key, value, _unit in figures})
        return
    for key, value, unit in figures:
        shown = "%g" % value if isinstance(value, float) else value
        if isinstance(value, list):
            shown = ", ".join(map(str, value))
        click.echo(("%-24s %s %s" % (key, shown, unit)).rstrip())
    click.echo("the relay takes these settings")


@cli.command()
@click.argument("name", required=False)
@JSON
def cycle(name: Optional[str], as_json: bool) -> None:
    """A drive cycle in figures; without a name, which cycles there are.  A CSV file will do."""
    rows = []
    for each in [name] if name else cycles.NAMES:
        c = cycles.load_cycle(each)
        stops = sum(a > 0 >= b for a, b in zip(c.speed_mps, c.speed_mps[1:]))
        rows.append({
            "name": c.name, "length_s": c.duration_s, "km": round(c.distance_m / 1000, 3), "stops": stops,
            "mean_kmh": round(c.distance_m / c.duration_s * 3.6, 1), "top_kmh": round(max(c.speed_mps) * 3.6, 1),
            "about": c.source,
        })  # fmt: skip
    right = ("length s", "km", "mean kmh", "top kmh", "stops")
    _print(("name", *right, "about"), rows, as_json, right)


# -- the way out ---------------------------------------------------------------------------------------------


def main() -> NoReturn:
    """Run the command and exit."""
    try:
        code = cli.main(standalone_mode=False, prog_name="packwarden")
    except click.Abort:
        _last("interrupted", 130)
    except click.UsageError as error:
        _last("%s (try %s --help)" % (error.format_message(), error.ctx.command_path if error.ctx else "packwarden"), 2)
    except click.ClickException as error:
        _last(error.format_message(), 2)
    except InputError as error:
        _last(str(error), 2, "")
    except TargetError as error:
        _last(str(error), 2)
    except BrokenPipeError:
        # Whoever read this stopped: `packwarden settings | head`.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    sys.exit(code if isinstance(code, int) else 0)


def _last(text: str, code: int, head: str = "packwarden: ") -> NoReturn:
    """One line on stderr, and out."""
    click.echo(head + " ".join(text.split()), err=True)
    sys.exit(code)


if __name__ == "__main__":
    main()

"""`packwarden deploy`: the firmware onto a board."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Optional

import click
import serial.tools.list_ports
from rich.console import Console

from packwarden import packs
from packwarden.bench import scenario, tables
from packwarden.deploy import steps
from packwarden.deploy.board import DeployError
from packwarden.deploy.payload import payload
from packwarden.deploy.steps import Settings
from packwarden.errors import InputError


@click.command()
@click.argument("port", required=False)
@click.option("--settings", "file", type=click.Path(path_type=Path), help="TOML file of settings.")
@click.option("--pack", "pack_name", help="The settings of this pack; a settings file is laid over them.")
@click.option("--source", is_flag=True, help="Copy the sources as they are, not compiled.")
@click.option("--rollback", is_flag=True, help="Go back to the version before.")
@click.option("--json", "as_json", is_flag=True, help="What was done, as JSON.")
def deploy(
    port: Optional[str], file: Optional[Path], pack_name: Optional[str], source: bool, rollback: bool, as_json: bool
) -> None:
    """Put the relay's firmware on a board with MicroPython, check it, start it, and wait for its identity.

    PORT is a device or any pyserial URL; without it, the one board that is plugged in.  Only at rest: the relay is
    asked to make way, and refuses while a power output is on.  The version before stays on the board; a deploy that is
    cut short, anywhere, leaves a board that starts one whole version.  Settings that the
    board has stay unless some are given.
    """
    if rollback and (file or pack_name or source):
        raise click.UsageError("--rollback goes back to what is on the board: no settings, no --source")
    where = port or only_port()
    console = Console(stderr=True)
    with console.status("") as status:

        def tell(what: str, done: int, total: int) -> None:
            status.update("%s %d %%" % (what, 100 * done // max(1, total)) if done else what)

        try:
            if rollback:
                done = steps.rollback(where, tell)
            else:
                done = steps.deploy(where, payload(not source), _settings(file, pack_name), tell)
        except DeployError as error:
            raise click.ClickException(str(error)) from None
    if as_json:
        click.echo(json.dumps(dataclasses.asdict(done), indent=1))
        return
    click.echo(
        "%s: firmware %s, version %s%s, settings %s; %d files copied, %d were there; %.0f s"
        % (where, done.fw, done.version, " (before: %s)" % done.before if done.before else "", done.digest,
           done.copied, done.same, done.seconds)
    )  # fmt: skip


def _settings(file: Optional[Path], pack_name: Optional[str]) -> Settings:
    if file is None and pack_name is None:
        return Settings(tables.image_name(), None, "")
    values = scenario.settings_of(packs.load_pack(pack_name)) if pack_name else tables.defaults()
    if file is not None:
        data = packs.read_toml(file, "file", "a TOML file of settings")
        tables.placed(values, tables.settings_data(data, str(file)), str(file))
    digest = tables.checked(values, str(file or pack_name))
    return Settings(tables.image_name(), tables.image(values), digest)


def only_port() -> str:
    """The one serial port with a USB device behind it.  InputError when there is none, or more than one."""
    found = sorted(p.device for p in serial.tools.list_ports.comports() if p.vid is not None)
    if len(found) != 1:
        raise InputError("deploy", "PORT", "none given", "one of: " + (", ".join(found) or "no board is plugged in"))
    return str(found[0])

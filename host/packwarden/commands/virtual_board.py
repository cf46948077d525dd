"""`packwarden virtual-board`: a board to try things on, without hardware."""

from __future__ import annotations

import json
from pathlib import Path

import click

from packwarden import packs, paths
from packwarden.errors import InputError
from packwarden.virtual.board import FLASH_BYTES, VirtualBoard
from packwarden.virtual.world import World, pin_table


@click.command("virtual-board")
@click.option("--pack", "pack_name", default="orchard-truck", show_default=True, help="The pack on its sense leads.")
@click.option(
    "--flash", type=click.Path(path_type=Path), default="virtual-board.flash", show_default=True,
    help="File that is its flash; made empty when there is none, and kept.",
)  # fmt: skip
@click.option("--strap", is_flag=True, help="With the bench strap fitted: no relay, power outputs held off.")
@click.option("--json", "as_json", is_flag=True, help="The port as one line of JSON.")
def virtual_board(pack_name: str, flash: Path, strap: bool, as_json: bool) -> None:
    """A board without hardware: MicroPython behind a serial port, its pins on a simulated pack.  Until Ctrl-C.

    A new one is as a chip comes with MicroPython on it: nothing but a prompt.  `packwarden deploy PORT` puts the
    relay on it.
    """
    spec = packs.load_pack(pack_name)
    if len(spec.boxes) > 2 or max(spec.boxes) > 12:
        raise InputError(pack_name, "boxes", list(spec.boxes), "two boxes of up to twelve modules: it has two heads")
    try:
        if flash.exists() and flash.stat().st_size != FLASH_BYTES:
            raise InputError(flash, "size", flash.stat().st_size, "%d bytes, or no such file" % FLASH_BYTES)
        world = World(spec, pin_table(paths.firmware_dir() / "boards" / "pico.py"))
        world.strap = strap
        board = VirtualBoard(world, flash)
        board.power_on()
    except OSError as error:
        raise InputError(flash, "file", error.strerror or error, "a file that can be written to") from None
    if as_json:
        click.echo(json.dumps({"port": board.port, "flash": str(flash), "pack": spec.name}))
    else:
        click.echo("%s is a board with the %s; its flash is %s; Ctrl-C ends it" % (board.port, spec.name, flash))
    try:
        board.run()
    finally:
        board.stop()

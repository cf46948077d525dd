"""A virtual board with the firmware on it; board_rig.py has what is done with it."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from packwarden.bench.interpreter import find_micropython
from packwarden.bench.target import TargetError

HERE = Path(__file__).parent
if str(HERE) not in sys.path:
    sys.path.insert(0, str(HERE))

from board_rig import FIRMWARE, PATIENT, Car, settings_image  # noqa: E402


@pytest.fixture(scope="session")
def images(tmp_path_factory):
    """make(pack) -> a flash image with the firmware and that pack's settings; None: no settings."""
    if not sys.platform.startswith("linux"):
        pytest.skip("the virtual board runs on Linux only")
    try:
        command = find_micropython()
    except TargetError as error:
        pytest.skip(str(error))
    folder = tmp_path_factory.mktemp("flash")
    made = {}

    def make(pack):
        if pack not in made:
            flash, given = folder / ("%s.flash" % pack), folder / ("%s.settings" % pack)
            if pack is not None:
                given.write_bytes(settings_image(pack, PATIENT))
            subprocess.run(
                [command, "-X", "heapsize=8m", str(HERE / "flash_image.py"), str(flash), str(FIRMWARE),
                 str(given) if pack is not None else "-"],
                env=dict(os.environ, MICROPYPATH=str(FIRMWARE)), check=True, timeout=60,
            )  # fmt: skip
            made[pack] = flash
        return made[pack]

    return make


@pytest.fixture
def car(images, tmp_path):
    """make(pack, board, strap) -> a Car, running, ended with the test."""
    made = []

    def make(pack="orchard-truck", board="pico", strap=False):
        flash = tmp_path / "board.flash"
        shutil.copy(images(pack), flash)
        made.append(Car(flash, pack or "orchard-truck", board, strap).__enter__())
        return made[-1]

    yield make
    for one in made:
        one.__exit__()

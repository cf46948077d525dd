"""From a bare board to a relay that runs, and all the ways in which that may be cut short."""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from board_rig import Car

from packwarden import paths
from packwarden.deploy import steps
from packwarden.deploy.board import DeployError
from packwarden.deploy.payload import payload

CUTS = int(os.environ.get("PACKWARDEN_CUTS", "6"))  # `PACKWARDEN_CUTS=200` for the whole of it


def command(*args, **more):
    env = dict(os.environ, PYTHONPATH=str(paths.firmware_dir().parent / "host"))
    return subprocess.Popen(
        [sys.executable, "-m", "packwarden", *args], env=env, text=True, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, **more,
    )  # fmt: skip


def run(*args):
    process = command(*args)
    out, err = process.communicate(timeout=90)
    return process.returncode, out, err


@pytest.fixture
def bare(tmp_path):
    """A board with MicroPython on it and nothing else."""
    with Car(tmp_path / "bare.flash") as one:
        yield one


@pytest.fixture(scope="module")
def deployed(tmp_path_factory):
    """A board with two versions, compiled live, sources before it: flash, names, flash operations that each took."""
    flash = tmp_path_factory.mktemp("deployed") / "board.flash"
    with Car(flash) as one:
        names, took = [], []
        for more in (["--source", "--pack", "orchard-truck"], []):
            code, out, err = run("deploy", one.board.port, "--json", *more)
            assert code == 0, err
            names.append(json.loads(out)["version"])
            took.append(one.world.flash_n)
            one.world.flash_n = 0
    return flash, names, took


def version_of(car):
    """The version that starts, once its relay speaks; from what the board said since it was last listened to."""
    car.until(lambda: b"ident " in car.board.said, 25)
    said = [line for line in bytes(car.board.said).decode("ascii", "replace").split("\n") if "version" in line]
    return said[-1].split()[-1] if said else None


def power_cycle(car):
    """Off and on, and what it said before is forgotten."""

    def act():
        car.board.said.clear()
        car.board._power_cycle()

    car.board.ask(act)


def test_from_bare_to_running_and_back(bare):
    code, out, err = run("deploy", bare.board.port, "--pack", "orchard-truck", "--json")
    assert code == 0, err
    first = json.loads(out)
    assert first["before"] == "" and first["copied"] > 30 and first["fw"]
    with bare.talk() as talk:
        talk.wait("mode=rest")
    code, out, err = run("deploy", bare.board.port, "--source", "--json")
    assert code == 0, err
    second = json.loads(out)
    assert second["before"] == first["version"] != second["version"] and second["digest"] == first["digest"]
    code, out, err = run("deploy", bare.board.port, "--rollback")
    assert code == 0 and first["version"] in out, err
    code, out, err = run("deploy", bare.board.port, "--json")
    assert code == 0 and json.loads(out)["copied"] == 0, err


def test_settings_from_a_file_are_in_use_and_bad_ones_change_nothing(bare, tmp_path):
    file = tmp_path / "mine.toml"
    file.write_text("late_ms = 1000\nlate_trip_ms = 5000\n")
    code, out, err = run("deploy", bare.board.port, "--pack", "orchard-truck", "--settings", str(file), "--json")
    assert code == 0, err
    with bare.talk() as talk:
        talk.wait("mode=rest")
        assert "value=5000" in talk.ask("get name=late_trip_ms")
    file.write_text("late_ms = 7000\n")
    starts = len(bare.board.starts)
    code, _out, err = run("deploy", bare.board.port, "--settings", str(file))
    assert code == 2 and "late_ms" in err and "1000" in err
    assert len(bare.board.starts) == starts


def test_refuses_while_the_relay_drives(car):
    truck = car()
    with truck.talk() as talk:
        talk.wait("to=rest")
        truck.drive(talk)
    code, _out, err = run("deploy", truck.board.port)
    assert code == 2 and "not at rest (mode drive)" in err
    assert truck.world.levels["main"] == 1 and len(truck.board.starts) == 1


@pytest.mark.slow
def test_with_the_strap_fitted_it_is_put_there_and_not_started(bare):
    bare.world.strap = True
    code, out, err = run("deploy", bare.board.port, "--pack", "orchard-truck", "--json")
    assert code == 0 and "strap" in json.loads(out)["fw"], err
    bare.world.strap = False
    power_cycle(bare)
    assert version_of(bare) == json.loads(out)["version"]


def test_without_settings_nothing_is_switched(bare):
    code, _out, err = run("deploy", bare.board.port)
    assert code == 2 and "--pack" in err
    assert bare.mpremote("fs", "ls").stdout.count("live") == 0


def test_survives_a_watchdog_that_runs(bare):
    """It can't be stopped, and resets the board under the copy; the copy goes on from what is there."""
    bare.mpremote("exec", "--no-follow", "import machine; machine.WDT(timeout=1200)")
    code, out, err = run("deploy", bare.board.port, "--pack", "orchard-truck", "--json")
    assert code == 0, err
    assert 3 in bare.board.starts  # it did


def test_the_cable_comes_out(bare):
    process = command("deploy", bare.board.port, "--pack", "orchard-truck")
    bare.until(lambda: bare.world.flash_n > 60, 30)
    bare.board.stop()
    _out, err = process.communicate(timeout=90)
    assert process.returncode == 2 and "lost" in err or "no such file" in err.lower() or "no MicroPython" in err


def test_a_version_with_a_wrong_byte_is_not_run(deployed, tmp_path):
    flash, (source, compiled), _took = deployed
    mine = tmp_path / "board.flash"
    shutil.copy(flash, mine)
    with Car(mine) as one:
        assert version_of(one) == compiled
        with one.talk() as talk:
            talk.wait("mode=rest")
            talk.ask("service")
            talk.wait("service: every")
        spoil = "f=open('/v/%s/warden/relay.mpy','r+b');f.seek(99);f.write(b'!');f.close()" % compiled
        assert one.mpremote("exec", spoil).returncode == 0
        power_cycle(one)
        assert version_of(one) == source  # the one before
        assert b"%s is not whole" % compiled.encode() in one.board.said
        code, _out, err = run("deploy", one.board.port)  # mends it
        assert code == 0, err


@pytest.mark.slow
@pytest.mark.parametrize("first", [True, False], ids=["first deploy", "later deploy"])
def test_cut_short_anywhere_it_boots_one_whole_version(deployed, tmp_path, first):
    """At random operations of the flash the tool is killed and the power cut; then the board must come up whole."""
    flash, (source, compiled), took = deployed
    total = took[0]  # of sources
    seen = {}
    for n in range(max(1, CUTS // 2)):
        rng = random.Random("%s %d" % (first, n))
        mine = tmp_path / ("board%d.flash" % n)
        if not first:
            shutil.copy(flash, mine)
        with Car(mine) as one:
            one.until(lambda: b">>>" in one.board.said if first else b"ident " in one.board.said, 20)
            more = ["--pack", "orchard-truck"] if first or n % 3 == 0 else []
            if not first:
                spoil_other(one, source)
            one.world.flash_n = 0
            process = command("deploy", one.board.port, "--source", *more)
            # Half of the cuts anywhere, half where settings are kept and the links are moved.
            at = rng.randrange(1, total) if n % 2 else rng.randrange(total - 40, total + 4)
            while process.poll() is None and one.world.flash_n < at:
                time.sleep(0.001)
            process.send_signal(signal.SIGKILL)
            process.communicate()
            power_cycle(one)
            if first:
                one.until(lambda: ended(one), 25)
                said = "none" if b"ident " not in one.board.said else "new"
            else:
                name = version_of(one)
                assert name in (source, compiled)
                said = name
            seen[said] = seen.get(said, 0) + 1
            assert not one.world.out_bits & 15
        mine.unlink()
    print("cuts", sum(seen.values()), seen)


def ended(one):
    """The board is at its prompt, or a relay speaks."""
    tail = bytes(one.board.said)
    return b"ident " in tail or tail.rstrip().endswith(b">>>")


def spoil_other(one, name):
    """Take the version that is not live off the board, so that a deploy copies it anew."""
    with one.talk() as talk:
        talk.wait("mode=rest", 20)
        talk.ask("service")
        talk.wait("service: every")
    gone = "import os\nfor f in os.listdir('/v/%s/warden'): os.remove('/v/%s/warden/' + f)\nos.remove('/live.old')" % (
        name, name)  # fmt: skip
    assert one.mpremote("exec", gone).returncode == 0


def test_mip_installs_what_package_json_lists(bare):
    listed = json.loads((paths.firmware_dir() / "package.json").read_text())["urls"]
    there = {p.relative_to(paths.firmware_dir()).as_posix() for p in paths.firmware_dir().rglob("*.py")}
    assert {a for a, _b in listed} == there - {"loader.py", "manifest.py"}
    assert all(a == b for a, b in listed) and listed[-1][0] == "main.py"  # an interrupted install has no main.py
    result = bare.mpremote("mip", "install", "--target", "/", str(paths.firmware_dir() / "package.json"))
    assert result.returncode == 0, result.stderr
    bare.mpremote("reset")
    with bare.talk() as talk:
        talk.wait("el=M11")  # a relay without settings: a lockout


class Board:
    """What a board says of itself."""

    port = "here"

    def __init__(self, *about):
        self.about = about

    def value(self, _what, _before=""):
        return self.about


@pytest.mark.parametrize(
    ("about", "words"),
    [
        (((1, 23, 0), 6, "rp2", 1 << 20), "1.24 to 1.29"),
        (((1, 30, 0), 6, "rp2", 1 << 20), "1.24 to 1.29"),
        (((1, 29, 0), 7, "rp2", 1 << 20), "--source"),
        (((1, 29, 0), 6, "stm32", 1 << 20), "rp2 or esp32"),
        (((1, 29, 0), 6, "rp2", 4096), "bytes free"),
    ],
)
def test_refuses_a_board_that_it_is_not_for(about, words):
    with pytest.raises(DeployError, match=words):
        steps.check_board(Board(*about), VERSION)


VERSION = payload(True)


def test_takes_one_that_it_is_for():
    for minor in range(24, 30):
        steps.check_board(Board((1, minor, 0), 6, "rp2", 1 << 20), VERSION)
    assert {Path(path).suffix for path in VERSION.files} == {".py", ".mpy"} and "main.py" in VERSION.files
    assert VERSION.name == payload(True).name != payload(False).name

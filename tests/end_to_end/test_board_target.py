"""Scenarios against a board with the strap fitted: the same lines and verdicts as in this process."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from packwarden import batch, paths
from packwarden.bench.target import TargetError
from packwarden.deploy.target import BoardTarget


def tell(_what, _done, _total):
    """Nobody watches."""


@pytest.fixture
def strapped(car):
    one = car(strap=True)
    one.until(lambda: b">>>" in one.board.said)
    return one


@pytest.mark.slow
def test_the_same_bytes_and_verdicts_as_in_process(strapped):
    """A board runs the very files; over a power cycle, too.  As fast as it goes: real time is the next test's."""
    board = BoardTarget(strapped.board.port, real_time=False)
    board.look()
    assert "MicroPython" in board.python
    for name in ("estop-at-full-load", "brown-out-in-drive"):
        each = batch.load([name], None)[0]
        outcome = batch.run(each, ("in-process", "board"), tell, board)
        assert not outcome.failed and outcome.same, outcome.failed or outcome.compared
        assert outcome.held
        replies = outcome.results[1].replies
        assert 0 < replies["median_ms"] <= replies["worst_ms"] and replies["replies"] > 1000
    assert strapped.world.out_bits == 0 and strapped.world.flash_n == 0  # nothing moved, nothing was written
    # And it is at its prompt again.
    assert strapped.mpremote("exec", "print(5)").stdout.split() == ["5"]


@pytest.mark.slow
def test_in_real_time_by_the_command(strapped, tmp_path):
    file = tmp_path / "short.toml"
    file.write_text(
        '[scenario]\nname = "short"\nabout = "driven off, then a stop"\npack = "orchard-truck"\n'
        '[[course]]\ndo = "drive"\nspeed_kmh = 10\nfor_s = 14\n'
        '[[fault]]\nat_s = 13\nkind = "estop"\n'
        '[[expect]]\ntrip = "69/estop"\nfault = 1\n[[expect]]\nsafe = true\nfault = 1\nwithin_ms = 30\n'
    )
    env = dict(os.environ, PYTHONPATH=str(paths.firmware_dir().parent / "host"))
    base = [sys.executable, "-m", "packwarden", "bench", str(file), "--target", "board", "--no-report", "--json"]
    began = time.monotonic()
    done = subprocess.run([*base, "--port", strapped.board.port], capture_output=True, text=True, env=env, timeout=90)
    assert done.stdout, done.stderr
    run = json.loads(done.stdout)["runs"][0]
    assert time.monotonic() - began > 14.0 and run["wall_s"] > 13.5
    assert run["held"] and run["target"] == "board" and run["replies"]["replies"] > 1300


@pytest.mark.slow
def test_a_bench_that_was_killed_leaves_a_board_that_the_next_can_use(strapped):
    env = dict(os.environ, PYTHONPATH=str(paths.firmware_dir().parent / "host"))
    port = strapped.board.port
    process = subprocess.Popen(
        [sys.executable, "-m", "packwarden", "bench", "normal-day", "--target", "board", "--port", port, "--hurry",
         "--no-report"], env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    strapped.until(lambda: b"bench ready" in strapped.board.said, 30)
    time.sleep(0.5)
    process.send_signal(signal.SIGKILL)
    process.wait()
    board = BoardTarget(port, real_time=False)
    board.look()
    each = batch.load(["estop-at-full-load"], None)[0]
    outcome = batch.run(each, ("board",), tell, board)
    assert outcome.held, outcome.failed


def test_the_cable_comes_out_of_a_bench(strapped):
    env = dict(os.environ, PYTHONPATH=str(paths.firmware_dir().parent / "host"))
    process = subprocess.Popen(
        [sys.executable, "-m", "packwarden", "bench", "normal-day", "--target", "board", "--port", strapped.board.port,
         "--hurry", "--no-report"], env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    strapped.until(lambda: b"bench ready" in strapped.board.said, 30)
    strapped.board.stop()
    out, _err = process.communicate(timeout=60)
    assert process.returncode in (1, 2) and "lost" in out, out[-500:]


def test_refuses_a_board_without_the_strap(car):
    truck = car()
    with truck.talk() as talk:
        talk.wait("mode=rest")
    with pytest.raises(TargetError, match="fit the strap"):
        BoardTarget(truck.board.port).look()


def test_port_and_target_go_together():
    from click.testing import CliRunner

    from packwarden.cli import cli

    for args in (["--target", "board"], ["--port", "loop://"], ["--hurry"]):
        result = CliRunner().invoke(cli, ["bench", "normal-day", *args])
        assert result.exit_code == 2 and "go together" in result.output

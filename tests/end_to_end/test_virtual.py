"""`packwarden virtual-board`, as a newcomer has it."""

import json
import os
import signal
import subprocess
import sys

import pytest
from board_rig import Talk

from packwarden import paths

ENV = dict(os.environ, PYTHONPATH=str(paths.firmware_dir().parent / "host"))
PACKWARDEN = [sys.executable, "-m", "packwarden"]


def start(*args):
    command = [*PACKWARDEN, "virtual-board", "--json", *args]
    process = subprocess.Popen(command, env=ENV, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    line = process.stdout.readline()
    return process, json.loads(line)["port"]


def stop(process):
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=20)
    return process.returncode


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the virtual board runs on Linux only")
def test_from_nothing_to_a_relay_that_is_there_again_next_time(tmp_path):
    flash = str(tmp_path / "mine.flash")
    process, port = start("--flash", flash, "--pack", "lake-launch")
    try:
        done = subprocess.run(
            [*PACKWARDEN, "deploy", port, "--pack", "lake-launch"], env=ENV, capture_output=True, text=True, timeout=90
        )
        assert done.returncode == 0, done.stderr
    finally:
        assert stop(process) == 130
    process, port = start("--flash", flash, "--pack", "lake-launch")
    try:
        talk = Talk(port)
        talk.wait("mode=rest")
        assert "why=who" in talk.ask("who")
        assert "n=8" in talk.wait("ident ")
        talk.line.close()
    finally:
        assert stop(process) == 130


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--pack", "long-string"], "pack"),
        (["--flash", "FILE"], "bytes"),
        (["--flash", "FOLDER/none/x.flash"], "can be written"),
    ],
)
def test_what_can_not_be_is_said(tmp_path, args, words):
    (tmp_path / "x").write_bytes(b"short")
    args = [a.replace("FILE", str(tmp_path / "x")).replace("FOLDER", str(tmp_path)) for a in args]
    done = subprocess.run([*PACKWARDEN, "virtual-board", *args], env=ENV, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2 and words in done.stderr and len(done.stderr.strip().split("\n")) == 1

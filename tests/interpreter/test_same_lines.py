"""The same files say the same, byte for byte, under CPython and under each MicroPython."""

import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def cpython(n):
    env = {"PYTHONPATH": "%s:%s" % (HERE.parents[1] / "firmware", HERE.parent / "firmware")}
    told = [sys.executable, str(HERE / "told.py"), str(n)]
    return subprocess.run(told, capture_output=True, text=True, env=env, check=True).stdout


@pytest.mark.parametrize("n", [1, 12, 24])
def test_unix_port(micropython, n):
    ours = cpython(n)
    assert len(ours.split("\n")) > 800
    assert micropython(HERE / "told.py", str(n)) == ours


def test_32_bit(micropython32):
    assert micropython32(HERE / "told.py") == cpython(12)

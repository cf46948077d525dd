"""A save cut at every byte and operation, on a real littlefs in a real MicroPython: nothing is lost, ever."""

import re
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def cuts(said):
    rows = [{k: int(v) for k, v in re.findall(r"(\w+) (\d+)", line)} for line in said.strip().split("\n")]
    for row in rows:
        assert row["lost"] == row["unlocked"] == row["stuck"] == 0, row
        assert 0 < row["new"] < row["cuts"], row  # some cuts came before the new image counted, some after
    return rows


def test_a_cut_at_each_operation(micropython):
    """Over so many saves that the file system's own directory is written anew along the way, too."""
    saves = range(24)
    rows = cuts(micropython(HERE / "flash_cuts.py", "some", ",".join(map(str, saves)), heap="4m"))
    assert len(rows) == len(saves) and sum(row["cuts"] for row in rows) > 400
    assert len({row["operations"] for row in rows[2:]}) > 1  # an erase of the directory was among them


@pytest.mark.slow
def test_a_cut_at_every_byte(micropython):
    rows = cuts(micropython(HERE / "flash_cuts.py", "every", "0,1,2,3", heap="4m"))
    assert sum(row["cuts"] for row in rows) > 5000


def test_a_single_slot_would_lose(micropython, tmp_path):
    """The canary: the same cuts on a store that writes over its only copy do lose it."""
    text = (HERE / "flash_cuts.py").read_text()
    spoilt = text.replace(
        "class Flash:",
        'class Store(Store):\n    def save(self, name, image):\n'
        '        with open("/cut/data/journal.0", "wb") as stream:\n            stream.write(b"")\n'
        '        self._put(name, 0, 1, image)\n\n\nclass Flash:',
        1,
    )
    assert spoilt != text
    script = tmp_path / "spoilt.py"
    script.write_text(spoilt)
    said = micropython(script, "some", "2", heap="4m")
    assert int(re.search(r"lost (\d+)", said).group(1)) > 0, said

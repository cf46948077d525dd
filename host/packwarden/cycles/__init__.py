"""Drive cycles: speed over time, from the tables shipped here or from a person's own CSV file.

A cycle file is CSV.  Lines that begin with `#` are remarks; the first such line says what the cycle is.  Then
comes one line that names the two columns, `time_s` and one of `speed_mps`, `speed_kmh`, `speed_mph`, in
either order, and then one line for each moment.  Between moments the speed changes evenly.  Where each
shipped table comes from is written at its head and in NOTICE.
"""

from __future__ import annotations

from bisect import bisect_right
from pathlib import Path
from typing import Dict, List, Sequence, Tuple, Union

from packwarden.errors import InputError

HERE = Path(__file__).resolve().parent
NAMES: Tuple[str, ...] = tuple(sorted(path.stem for path in HERE.glob("*.csv")))

SPEED_MAX_MPS = 80.0  # faster than any road car here; more means a wrong unit
TIME_MAX_S = 7 * 86400.0
MPS_PER: Dict[str, float] = {"speed_mps": 1.0, "speed_kmh": 1 / 3.6, "speed_mph": 0.44704}


class Cycle:
    """A speed trace.  `t_s` rises from 0; `speed_mps` has one speed (m/s, never negative) for each time."""

    def __init__(self, name: str, t_s: Sequence[float], speed_mps: Sequence[float], source: str) -> None:
        self.name = name
        self.t_s = tuple(t_s)
        self.speed_mps = tuple(speed_mps)
        self.source = source
        self._at = 0  # row at or before the time last asked for: the next question is nearly always close by

    @property
    def duration_s(self) -> float:
        """Time of the last row, s."""
        return self.t_s[-1]

    @property
    def distance_m(self) -> float:
        """Length of road covered, m: exact for speeds that change evenly between rows."""
        pairs = zip(self.t_s, self.t_s[1:], self.speed_mps, self.speed_mps[1:])
        return sum((t1 - t0) * (v0 + v1) * 0.5 for t0, t1, v0, v1 in pairs)

    def speed_at(self, t_s: float) -> float:
        """Speed at a time, m/s; before the first row the first speed, after the last the last.

        Times may be asked for in any order; in rising order the answer costs no search.
        """
        times = self.t_s
        at = self._at
        last = len(times) - 1
        if t_s >= times[last]:
            return self.speed_mps[last]
        if t_s <= 0.0:
            return self.speed_mps[0]
        if t_s < times[at] or at + 2 < last and t_s >= times[at + 2]:
            at = self._at = bisect_right(times, t_s) - 1
        elif t_s >= times[at + 1]:
            at = self._at = at + 1
        t0, v0 = times[at], self.speed_mps[at]
        return v0 + (self.speed_mps[at + 1] - v0) * (t_s - t0) / (times[at + 1] - t0)


def load_cycle(name_or_path: Union[str, Path]) -> Cycle:
    """A shipped cycle by its name (one of NAMES), or a cycle file by its path.

    Times are counted from the file's first row.  Raises InputError (file, key, value, allowed) for a name
    that is neither, and for anything wrong in the file; `row N` in its key is line N of the file, as an
    editor counts.
    """
    text = str(name_or_path)
    path = HERE / (text + ".csv") if text in NAMES else Path(text)
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except UnicodeDecodeError as error:
        odd = hex(error.object[error.start])
        raise InputError(text, "byte %d" % error.start, odd, "text in UTF-8") from None
    except (OSError, ValueError) as error:
        allowed = "a readable CSV file, or one of %s" % ", ".join(NAMES)
        raise InputError(text, "cycle", text, allowed) from error
    about = ""
    columns: List[str] = []
    times: List[float] = []
    speeds: List[float] = []
    start_s = 0.0
    for row, line in enumerate(lines, 1):
        line = line.strip()
        if line.startswith("#"):
            about = about or line.lstrip("# ")
        elif line and not columns:
            columns = _columns(text, row, line)
        elif line:
            time_s, mps = _moment(text, row, line, columns)
            if not times:
                start_s = time_s
            elif time_s - start_s <= times[-1]:
                allowed = "more than %g s" % (start_s + times[-1])
                raise InputError(text, "row %d time_s" % row, time_s, allowed)
            times.append(time_s - start_s)
            speeds.append(mps)
    if len(times) < 2:
        raise InputError(text, "rows", len(times), "2 or more, below a line that names the columns")
    return Cycle(path.stem, times, speeds, about or text)


def length_s(name_or_path: Union[str, Path]) -> float:
    """How long a cycle lasts, s.  Raises what load_cycle raises."""
    return load_cycle(name_or_path).duration_s


def _columns(file: str, row: int, line: str) -> List[str]:
    columns = [name.strip() for name in line.split(",")]
    if len(columns) != 2 or "time_s" not in columns or not set(columns) & set(MPS_PER):
        raise InputError(file, "row %d" % row, line, "time_s and one of %s" % ", ".join(MPS_PER))
    return columns


def _moment(file: str, row: int, line: str, columns: List[str]) -> Tuple[float, float]:
    """(time s, speed m/s) of one line.  Not-a-number fails both ranges, since it compares false."""
    cells = line.split(",")
    if len(cells) != 2:
        raise InputError(file, "row %d" % row, line, "two values: %s" % ", ".join(columns))
    time_s = mps = 0.0
    for name, cell in zip(columns, cells):
        try:
            value = float(cell)
        except ValueError:
            raise InputError(file, "row %d %s" % (row, name), cell.strip(), "a number") from None
        if name == "time_s":
            time_s = value
            if not 0.0 <= value <= TIME_MAX_S:
                raise InputError(file, "row %d %s" % (row, name), cell.strip(), "0 to %g s" % TIME_MAX_S)
        else:
            mps = value * MPS_PER[name]
            if not 0.0 <= mps <= SPEED_MAX_MPS:
                raise InputError(
                    file, "row %d %s" % (row, name), cell.strip(),
                    "0 to %g (80 m/s)" % (SPEED_MAX_MPS / MPS_PER[name]),
                )  # fmt: skip
    return time_s, mps

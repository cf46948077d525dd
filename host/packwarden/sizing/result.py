"""What a calculation gives: a value with its formula, source, assumptions and verdict; and curves to plot."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Callable, Sequence

from packwarden.sizing.table_results import ROWS

OK, TIGHT, REFUSE, DECIDE = "ok", "tight", "refuse", "decide"
VERDICTS = (OK, TIGHT, REFUSE, DECIDE)
MEANING = {
    OK: "within its limit with room to spare",
    TIGHT: "within its limit, with little room; or a nuisance, not a danger",
    REFUSE: "beyond its limit: change the part or the setting",
    DECIDE: "nothing here can judge it: local code or a person licensed to do such work decides",
}

PRACTICE = "common practice, no source"
MEMORY = "from memory"
ESTIMATE = "estimate, no source"
DEFINITION = "definition"

LICENSED = "Where you live a code may say otherwise, or want a person licensed for it; then they are right."


@dataclass(frozen=True)
class Result:
    """One result.  `value` in SI or in `unit`; `limit`: what it was held against, in the same unit, or None."""

    name: str  # topic.what, for scripts: it stays the same
    what: str
    value: float
    unit: str
    formula: str
    source: str
    verdict: str = OK
    word: str = ""  # why it is not ok, in a few plain words
    limit: float | None = None
    assumes: tuple[str, ...] = ()
    caution: str = ""
    detail: bool = False  # one of many of its kind: not shown unless all are asked for

    def __post_init__(self) -> None:
        if self.verdict not in VERDICTS:
            raise ValueError("verdict of %s: %s, not one of %s" % (self.name, self.verdict, ", ".join(VERDICTS)))
        if not math.isfinite(self.value):
            raise ValueError("%s came out as %r, not a finite number" % (self.name, self.value))

    @property
    def why(self) -> str:
        """The word, where there is something to say."""
        return "" if self.verdict == OK else self.word


def _rows() -> dict[str, tuple[str, ...]]:
    """name -> (unit, formula, source, what, word) of the table."""
    lines = [line for block in ROWS for line in block.strip().splitlines() if not line.startswith("#")]
    cells = [[cell.strip() for cell in (line + " ").split(" | ")] for line in lines]
    return {row[0]: tuple(row[1:]) for row in cells}


TABLE = _rows()


def told(
    name: str,
    value: float,
    verdict: str = OK,
    limit: float | None = None,
    *,
    at: tuple[object, ...] = (),
    fill: tuple[object, ...] = (),
    why: tuple[object, ...] = (),
    assumes: tuple[str, ...] = (),
    caution: str = "",
    detail: bool = False,
) -> Result:
    """A result with the words of its row in the table; `at`, `fill` and `why` go into its name, text and word.

    A word of two parts says one thing when it is tight and another when it is refused.
    """
    unit, formula, source, what, word = TABLE[name]
    tight, _, refused = word.partition(" // ")
    word = refused if refused and verdict == REFUSE else tight
    return Result(
        name % at if at else name,
        what % fill if fill else what,
        value,
        unit,
        formula,
        source,
        verdict,
        word % why if why else word,
        limit,
        assumes,
        caution,
        detail,
    )


@dataclass(frozen=True)
class Curve:
    """Points of a line.  `look`: bold, second, third, dotted.  `dots`: marks at points; `joined`: a line too."""

    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    look: str = "bold"
    dots: bool = False
    joined: bool = True


@dataclass(frozen=True)
class Plot:
    """Some curves on one pair of axes.  `levels`: (value of y, label) drawn across."""

    title: str
    x_label: str
    y_label: str
    curves: tuple[Curve, ...]
    levels: tuple[tuple[float, str], ...] = ()
    log: bool = False  # both axes


@dataclass(frozen=True)
class Report:
    """What a topic gives."""

    results: tuple[Result, ...]
    plots: tuple[Plot, ...] = ()


def at_most(value: float, limit: float, tight: float = 0.8) -> str:
    """Verdict on a value that must not pass `limit`: tight from `tight` of the limit on."""
    return OK if value <= tight * limit else TIGHT if value <= limit else REFUSE


def at_least(value: float, limit: float, tight: float = 1.25) -> str:
    """Verdict on a value that must reach `limit`: tight below `tight` times the limit."""
    return OK if value >= tight * limit else TIGHT if value >= limit else REFUSE


def worst(verdicts: Sequence[str]) -> str:
    """The gravest of some verdicts; ok when there are none."""
    rank = {OK: 0, DECIDE: 1, TIGHT: 2, REFUSE: 3}
    return max(verdicts, key=lambda v: rank[v], default=OK)


def above_zero(**given: float) -> None:
    """Raises ValueError, with its name, for an argument that is not a finite number above 0."""
    for name, value in given.items():
        if not (value > 0.0 and math.isfinite(value)):
            raise ValueError("%s = %r: allowed a finite number above 0" % (name, value))


def not_negative(**given: float) -> None:
    """Raises ValueError, with its name, for an argument that is not a finite number from 0."""
    for name, value in given.items():
        if not (value >= 0.0 and math.isfinite(value)):
            raise ValueError("%s = %r: allowed a finite number from 0" % (name, value))


def between(xs: tuple[float, ...], ys: tuple[float, ...], x: float) -> float:
    """y at x on straight lines between points; the ends' values beyond them."""
    if x <= xs[0]:
        return ys[0]
    for a, b, c, d in zip(xs, xs[1:], ys, ys[1:]):
        if x <= b:
            return c + (d - c) * (x - a) / (b - a)
    return ys[-1]


def sampled(
    label: str,
    f: Callable[[float], float],
    low: float,
    high: float,
    look: str = "bold",
    n: int = 120,
    log: bool = False,
) -> Curve:
    """A curve of f over n points from low to high, evenly or by equal ratios."""
    steps = [k / (n - 1) for k in range(n)]
    xs = [low * (high / low) ** s for s in steps] if log else [low + (high - low) * s for s in steps]
    return Curve(label, tuple(xs), tuple(f(x) for x in xs), look)

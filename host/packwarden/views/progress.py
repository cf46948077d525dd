"""How far a long run is: a bar where someone watches, now and then a line where nobody does.  Always on stderr."""

from __future__ import annotations

import time
from contextlib import contextmanager
from typing import Callable, Iterator

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

LINE_S = 10.0  # between lines, where they are plain

Tell = Callable[[str, float, float], None]  # what is done, how much of it, how much in all


@contextmanager
def progress(console: Console) -> Iterator[Tell]:
    """Gives the function to tell progress to.  `console`: one on stderr."""
    if not console.is_terminal:
        yield _lines(console)
        return
    part = TextColumn("{task.percentage:>3.0f} %")
    columns = (TextColumn("{task.description}"), BarColumn(), part, TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("", total=None)

        def tell(what: str, done: float, total: float) -> None:
            if done == 0:
                bar.reset(task, description=what, total=total)
            bar.update(task, completed=done)

        yield tell


def _lines(console: Console) -> Tell:
    told = [time.monotonic()]

    def tell(what: str, done: float, total: float) -> None:
        now = time.monotonic()
        if done and now - told[0] >= LINE_S:
            told[0] = now
            console.print("%s: %.0f %%" % (what, 100.0 * done / total), highlight=False, markup=False)

    return tell

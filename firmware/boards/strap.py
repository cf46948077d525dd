"""The bench over a board's own serial line, with the strap fitted: what `--target board` starts from the prompt.

Frames as in boards/bench.py over standard input and output.  The relay's memory is the bench's: the board's flash
is neither read nor written, and the power outputs stay as the strap holds them.  Each POWER_UP frame is a power-up;
an END frame in its place ends it.
"""

import gc
import sys

import micropython

from boards.bench import Board

READY = b"bench ready\n"
REFUSED = b"bench refused: no strap\n"


class Line:
    """Standard input and output as one stream."""

    readinto = sys.stdin.buffer.readinto
    write = sys.stdout.buffer.write


def bench(load, run):
    """Serve benches until one says to leave.  `load` and `run` are main.py's."""
    from boards.start import make_board

    if not make_board().strap:
        Line.write(REFUSED)
        return
    Relay = load()
    micropython.kbd_intr(-1)
    Line.write(READY)
    try:
        while True:
            gc.collect()
            board = Board(Line)
            try:
                board.power_up()
            except OSError:
                return
            run(board, Relay)
    finally:
        micropython.kbd_intr(3)

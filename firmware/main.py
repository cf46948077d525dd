"""Build a board, build a relay, scan for ever."""

import gc
import sys


def load():
    """Import everything, the longest files first, collecting often: loading is when memory is tightest."""
    gc.threshold(2000)
    from warden import (
        commands,  # noqa: F401
        sense,  # noqa: F401
    )
    from warden.relay import Relay

    return Relay


def run(board, Relay):
    """Scan until the board says there is no next scan."""
    relay = Relay(board)
    gc.collect()
    gc.threshold(gc.mem_free() // 2)
    while board.wait():
        relay.scan(board.now_ms)
        relay.serve()
        relay.idle()
        board.answer(relay.outbox)


def main():
    """On the desktop: `micropython main.py FD`, FD an open stream to the bench."""
    Relay = load()
    from boards.bench import Board

    board = Board(open(int(sys.argv[1]), "r+b"))
    board.power_up()
    run(board, Relay)


if __name__ == "__main__":
    main()

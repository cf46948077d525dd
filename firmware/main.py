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
        board.drive()
        relay.serve()
        relay.idle()
        if board.answer(relay.outbox):
            relay.served = True  # the board took its time, at rest


def main():
    """On a board: its relay.  On the desktop: `micropython main.py FD`, FD an open stream to the bench."""
    if len(sys.argv) > 1:
        Relay = load()
        from boards.bench import Board

        board = Board(open(int(sys.argv[1]), "r+b"))
        board.power_up()
        run(board, Relay)
        return
    from boards.start import start

    start(load, run)


if __name__ == "__main__":
    main()

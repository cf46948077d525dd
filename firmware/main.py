"""Build a board, build a relay, scan for ever."""

import sys


def run(board):
    """Scan until the board says there is no next scan."""
    import gc

    from warden.relay import Relay

    relay = Relay(board)
    gc.collect()
    while board.wait():
        relay.scan(board.now_ms)
        relay.serve()
        relay.idle()
        board.answer(relay.outbox)


def main():
    """On the desktop: `micropython main.py FD`, FD an open stream to the bench."""
    from boards.bench import Board

    board = Board(open(int(sys.argv[1]), "r+b"))
    board.power_up()
    run(board)


if __name__ == "__main__":
    main()

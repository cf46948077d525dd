"""Heap that the firmware takes: after its imports, and with a relay of 24 modules.  Prints two numbers."""

import gc


def main():
    gc.collect()
    if hasattr(gc, "threshold"):
        gc.threshold(2000)
    before = gc.mem_alloc()
    from warden import sense  # noqa: F401, I001
    from warden import commands  # noqa: F401
    from warden.relay import Relay
    from boards.bench import Board
    from warden import settings

    gc.collect()
    loaded = gc.mem_alloc() - before
    board = Board()
    values = settings.defaults()
    values[0] = 24
    for b in range(6):
        values[1 + b] = 4
    settings.pack(values, board.nv)
    relay = Relay(board)
    gc.collect()
    print(loaded, gc.mem_alloc() - before - loaded, relay.sense.n)


main()

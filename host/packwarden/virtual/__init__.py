"""A board without hardware: the firmware in a real MicroPython behind a pseudo-terminal, its pins on a simulated pack.

`board.py` starts, watches and restarts the interpreter; `world.py` is what its pins are wired to; `chip/` is what it
has in place of the chip's own modules.
"""

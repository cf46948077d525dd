"""Starting a relay on a board, and all the ways in which it does not start or does not go on.

The order on every way out: outputs safe, then told, then a reset.  Starts are counted over resets; when none of
STARTS_MAX in a row ran well for a minute, the relay stays off: every output at its safe level, and a prompt for
whoever comes to look.  Power-cycling starts the count anew.
"""

import io
import sys
import time

import machine
import micropython

from boards.base import DATA, NOTE_SERVICE, NOTE_STARTS, STARTS_MAX

CAUSES = {machine.PWRON_RESET: "power", machine.WDT_RESET: "watchdog or own reset"}
FAULT = DATA + "/fault.txt"  # what ended the relay last

stayed = []  # type: list  # why there is no relay, for a tool that asks at the prompt


def make_board():
    """The board that this port of MicroPython is for, its pins safe."""
    try:
        import rp2  # noqa: F401
    except ImportError:
        from boards import esp32

        return esp32.Board()
    from boards import pico

    return pico.Board()


def start(load, run):
    """Run the relay, or return to the prompt with every output off and say why."""
    board = make_board()
    say = board.port.say

    def stay(why):
        stayed.append(why)
        say(why)

    say("%s, reset by %s" % (board.NAME, CAUSES.get(board.cause, str(board.cause))))
    if board.strap:
        stay("strap fitted: power outputs held off; no relay")
        return
    if board.note(NOTE_SERVICE):
        board.set_note(NOTE_SERVICE, 0)
        stay("service: every output off, no relay until the next reset")
        return
    starts = board.note(NOTE_STARTS)
    if starts >= STARTS_MAX:
        stay("%d starts in a row failed: every output off, no relay until power is cycled or a deploy" % starts)
        return
    board.set_note(NOTE_STARTS, starts + 1)
    micropython.kbd_intr(-1)  # from here on no byte from the host stops the relay
    why = None
    try:
        board.power_up()
        run(board, load())
    except BaseException as error:
        why = error
    board.safe()
    board.port.flush()
    if why is None:
        board.set_note(NOTE_STARTS, 0)  # it was asked to leave
    else:
        tell(say, why)
    time.sleep_ms(50)  # for the last words
    machine.reset()


def forgive():
    """Forget failed starts: a deploy has changed what starts."""
    make_board().set_note(NOTE_STARTS, 0)


def tell(say, why):
    """What ended the relay: to the wire, and to a file.  Every output is off by now."""
    text = io.StringIO()
    sys.print_exception(why, text)
    words = text.getvalue()
    for line in words.strip().split("\n"):
        say(line)
    try:
        with open(FAULT, "w") as stream:
            stream.write(words)
    except OSError as error:
        say("%s not written: %s" % (FAULT, error))

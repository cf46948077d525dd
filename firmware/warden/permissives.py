"""Discrete inputs, debounced into permissive bits: one table and one timer.

1 is always the state that a cut wire can not give: loops are closed when all is well.  A doubtful input
decays half as fast as it builds, so a loop that flickers more than a third of the time is lost.
"""

from array import array

from warden import settings
from warden.modes import CRASH, ESTOP, INTERLOCK, KEY, MAINAUX, PEDAL, RESET, SERVICE, START, STRAP, UNPLUG

# bit, name, time to believe a loss, time to believe a return.  The meanings are in table_words.py.
TABLE = (
    (KEY, "key", "lost_ms", "made_ms"),
    (START, "start", "lost_ms", "start_hold_ms"),
    (UNPLUG, "unplug", "lost_ms", "made_ms"),
    (INTERLOCK, "interlock", "lost_ms", "made_ms"),
    (ESTOP, "estop", "lost_fast_ms", "made_ms"),
    (CRASH, "crash", "lost_ms", "made_ms"),
    (SERVICE, "service", "lost_ms", "made_ms"),
    (MAINAUX, "mainaux", 0, 0),
    (RESET, "reset", "lost_ms", "reset_hold_ms"),
    (PEDAL, "pedal", "lost_ms", "made_ms"),
    (STRAP, "strap", 0, 0),
)
ALL = (1 << len(TABLE)) - 1


class Permissives:
    """`bits`: what is believed.  All open until shown closed."""

    def __init__(self, values):
        self.bits = 0
        self.timer_ms = array("i", [0] * len(TABLE))
        self.busy = False  # some timer is not at 0
        self.configure(values)

    def configure(self, values):
        """Resolve the table against settings.  At rest only: this allocates."""
        self.rows = []
        for n in range(len(TABLE)):
            bit, _name, lost, made = TABLE[n]
            lost_ms = lost if isinstance(lost, int) else values[settings.BASE[lost]]
            made_ms = made if isinstance(made, int) else values[settings.BASE[made]]
            self.rows.append((n, bit, lost_ms, made_ms))

    def update(self, raw, dt_ms):
        """Take the raw word; a difference is believed once it has lasted its time."""
        differ = (raw ^ self.bits) & ALL
        if not differ and not self.busy:
            return
        self.busy = False
        for n, bit, lost_ms, made_ms in self.rows:
            t = self.timer_ms[n]
            if differ & bit:
                # 0 means "agreed", so a running timer is kept one above the time that it stands for.
                t = t + dt_ms if t else 1
                if t > (made_ms if raw & bit else lost_ms):
                    self.bits ^= bit
                    t = 0
            elif t:
                # A loss by turns is a loss; a return by turns is none.
                t = t - dt_ms // 2 - 1 if self.bits & bit else 0
                if t < 0:
                    t = 0
            if t:
                self.busy = True
            self.timer_ms[n] = t

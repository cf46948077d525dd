"""A contactor: coil, contacts, auxiliary contact, and the ways they fail."""

from __future__ import annotations

from typing import Optional

HOLD_V, PULL_V = 5.0, 7.5  # coil voltages below which it lets go, and above which it pulls in (estimates)


class Contactor:
    """Energise to close.

    Knobs: `stuck_open`, `welded`, `chatter_hz` (contacts part and meet while energised), `pull_in_s`,
    `release_s`, `bounce_s`, `aux_stuck` (None, 0 or 1), `weld_on_inrush_a` (closing on more welds it).
    """

    def __init__(self, pull_in_s: float, release_s: float) -> None:
        self.pull_in_s, self.release_s = pull_in_s, release_s
        self.bounce_s = 0.0
        self.stuck_open = False
        self.welded = False
        self.chatter_hz = 0.0
        self.aux_stuck: Optional[int] = None
        self.weld_on_inrush_a = float("inf")
        self.closed = False
        self.aux_closed = False
        self.coil_s = 0.0  # time the coil has been in its present state
        self.coil = False
        self.break_current_a = 0.0  # largest current broken
        self.inrush_a = 0.0  # largest current made
        self.t_s = 0.0

    def step(self, dt_s: float, on: bool, coil_v: float) -> None:
        """Advance by dt_s with the coil commanded `on` and the supply at coil_v."""
        on = on and (coil_v > HOLD_V if self.coil else coil_v > PULL_V)
        if on != self.coil:
            self.coil, self.coil_s = on, 0.0
        self.coil_s += dt_s
        self.t_s += dt_s
        if self.coil:
            closed = self.closed or self.coil_s >= self.pull_in_s
            if self.bounce_s and self.pull_in_s <= self.coil_s < self.pull_in_s + self.bounce_s:
                closed = int(self.coil_s * 200.0) % 2 == 0
            if self.chatter_hz and self.coil_s > self.pull_in_s + 0.3:
                closed = (self.t_s * self.chatter_hz) % 1.0 < 0.5
        else:
            closed = self.closed and self.coil_s < self.release_s
        if self.stuck_open:
            closed = False
        if self.welded:
            closed = True
        self.closed = closed
        self.aux_closed = closed if self.aux_stuck is None else bool(self.aux_stuck)

    def made(self, inrush_a: float) -> None:
        """Contacts met across a difference that drove inrush_a."""
        self.inrush_a = max(self.inrush_a, inrush_a)
        if inrush_a > self.weld_on_inrush_a:
            self.welded = True

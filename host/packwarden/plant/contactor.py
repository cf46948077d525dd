"""A contactor: coil, contacts, auxiliary contact, and the ways they fail."""

from __future__ import annotations

from typing import Optional

HOLD_V, PULL_V = 5.0, 7.5  # coil voltages below which it lets go, and above which it pulls in (estimates)
SETTLED_S = 0.3  # chatter begins this long after pull-in


class Contactor:
    """Energise to close.  `closed` is the power contact, `aux_closed` what its auxiliary contact says.

    Knobs: `stuck_open`, `welded`, `chatter_hz` (contacts part and meet while energised), `pull_in_s`,
    `release_s`, `bounce_s` (for this long after pull-in the contacts part and meet at every step),
    `aux_stuck` (None, 0 or 1), `weld_on_inrush_a` (closing on more welds it).
    Readings: `break_current_a`, `inrush_a` (largest current broken and made), `breaks` (how often it broke more
    than an ampere).
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
        self.break_current_a = 0.0
        self.breaks = 0
        self.inrush_a = 0.0
        self.t_s = 0.0

    def step(self, dt_s: float, on: bool, coil_v: float) -> None:
        """Advance by dt_s with the coil commanded `on` and the supply at coil_v."""
        on = on and (coil_v > HOLD_V if self.coil else coil_v > PULL_V)
        if on != self.coil:
            self.coil, self.coil_s = on, 0.0
        coil_s = self.coil_s = self.coil_s + dt_s
        self.t_s += dt_s
        if on:
            since_s = coil_s - self.pull_in_s + 1e-9
            closed = self.closed or since_s >= 0.0
            if self.bounce_s and 0.0 <= since_s < self.bounce_s:
                closed = not self.closed
            if self.chatter_hz and since_s > SETTLED_S:
                closed = (self.t_s * self.chatter_hz) % 1.0 < 0.5
        else:
            closed = self.closed and coil_s + 1e-9 < self.release_s
        if self.stuck_open:
            closed = False
        if self.welded:
            closed = True
        self.closed = closed
        self.aux_closed = closed if self.aux_stuck is None else bool(self.aux_stuck)

    def made(self, inrush_a: float) -> None:
        """Contacts met across a difference that drove inrush_a."""
        size_a = abs(inrush_a)
        if size_a > self.inrush_a:
            self.inrush_a = size_a
        if size_a > self.weld_on_inrush_a:
            self.welded = True

    def broke(self, current_a: float) -> None:
        """Contacts parted with current_a through them."""
        size_a = abs(current_a)
        if size_a > 1.0:
            self.breaks += 1
        if size_a > self.break_current_a:
            self.break_current_a = size_a

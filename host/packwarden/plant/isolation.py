"""Leaks from the pack to the chassis, and the bridge that measures them.

Voltages from each end of the pack to the chassis through 2 Mohm each; a 100 kohm test resistor may be switched
from either end (UN R100 Rev. 2, annex 4B, the method with a known resistance).
Knobs: `leak_pos_ohm`, `leak_neg_ohm`, `leak_at` (None or (module k, ohm): from that module's positive post).
"""

from __future__ import annotations

import math
from typing import Optional, Sequence, Tuple

from packwarden.plant.string import total

OUT_ISO_POS, OUT_ISO_NEG = 1 << 8, 1 << 9
METER_OHM = 2e6
TEST_OHM = 100e3
SETTLE_S = 0.1


class Isolation:
    """`pos_v`: pack + to chassis; `neg_v`: chassis to pack -."""

    def __init__(self, leak_ohm: float) -> None:
        self.leak_pos_ohm = leak_ohm
        self.leak_neg_ohm = leak_ohm
        self.leak_at: Optional[Tuple[int, float]] = None
        self.chassis_v = 0.0  # from pack -
        self.string_v = 0.0
        self._decay = (0.0, 1.0)

    def step(self, dt_s: float, string_v: float, module_v: Sequence[float], bits: int) -> None:
        """Let the chassis move towards its place between the ends."""
        g_pos = 1.0 / self.leak_pos_ohm + 1.0 / METER_OHM
        g_neg = 1.0 / self.leak_neg_ohm + 1.0 / METER_OHM
        if bits & OUT_ISO_POS:
            g_pos += 1.0 / TEST_OHM
        if bits & OUT_ISO_NEG:
            g_neg += 1.0 / TEST_OHM
        current = string_v * g_pos
        whole = g_pos + g_neg
        if self.leak_at is not None:
            k, ohm = self.leak_at
            current += total(module_v[: k + 1]) / ohm
            whole += 1.0 / ohm
        aim = current / whole
        if self._decay[0] != dt_s:
            self._decay = (dt_s, math.exp(-dt_s / SETTLE_S))
        self.chassis_v = aim + (self.chassis_v - aim) * self._decay[1]
        self.string_v = string_v

    @property
    def pos_v(self) -> float:
        """Pack + to chassis, V."""
        return self.string_v - self.chassis_v

    @property
    def neg_v(self) -> float:
        """Chassis to pack -, V."""
        return self.chassis_v

    @property
    def resistance_ohm(self) -> float:
        """True resistance of all leaks to the chassis in parallel, without the meter."""
        g = 1.0 / self.leak_pos_ohm + 1.0 / self.leak_neg_ohm
        if self.leak_at is not None:
            g += 1.0 / self.leak_at[1]
        return 1.0 / g

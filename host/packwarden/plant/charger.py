"""The charger: constant current, absorption until the current tails off, equalising if it has that, float.

Knobs: `runaway` (keeps its current whatever the voltage), `offset_v` (set voltage wrong by this for each module),
`ignores_enable` (feeds though its relay is not commanded: wired past the relay), `stuck_a` (None, or a current it
delivers in place of its profile), `ignores_limit`.
"""

from __future__ import annotations

from typing import Optional

from packwarden.plant.spec import ChargerSpec


class Charger:
    """`current_a` into the pack, positive.  `stage`: bulk, absorption, equalise or float.  `wall_j` from the mains."""

    def __init__(self, spec: ChargerSpec, n_modules: int) -> None:
        self.spec, self.n = spec, n_modules
        self.runaway = False
        self.offset_v = 0.0
        self.ignores_enable = False
        self.ignores_limit = False
        self.stuck_a: Optional[float] = None
        self.stage = "bulk"
        self.stage_s = 0.0
        self.current_a = 0.0
        self.wall_j = 0.0

    def unplugged(self) -> None:
        """The next plugging-in begins the profile anew."""
        self.stage, self.stage_s, self.current_a = "bulk", 0.0, 0.0

    def step(self, dt_s: float, e_v: float, r_ohm: float, temp_c: float, limit_permille: int) -> float:
        """Current into the pack for this step; e_v, r_ohm: the pack as a source over it (String.totals)."""
        spec = self.spec
        most_a = min(spec.current_a, spec.power_w / max(1.0, e_v))
        if not self.ignores_limit:
            most_a *= limit_permille * 0.001
        each_v = spec.absorption_v
        if self.stage == "float":
            each_v = spec.float_v
        elif self.stage == "equalise":
            each_v = spec.equalise_v
            most_a = min(most_a, spec.equalise_a)
        set_v = (each_v + spec.v_per_c * (temp_c - 25.0) + self.offset_v) * self.n
        wanted_a = (set_v - e_v) / r_ohm
        if self.runaway:
            wanted_a = spec.power_w / max(1.0, e_v)
            most_a = wanted_a
        if self.stuck_a is not None:
            wanted_a = most_a = self.stuck_a
        current = max(0.0, min(most_a, wanted_a))
        if self.stage == "bulk" and wanted_a < most_a:
            self.stage = "absorption"
        elif self.stage == "absorption":
            self.stage_s += dt_s
            if wanted_a < spec.tail_a or self.stage_s > spec.absorption_h * 3600.0:
                self.stage = "equalise" if spec.equalise_v else "float"
                self.stage_s = 0.0
        elif self.stage == "equalise":
            self.stage_s += dt_s
            if self.stage_s > spec.equalise_h * 3600.0:
                self.stage = "float"
        self.current_a = current
        self.wall_j += current * (e_v + current * r_ohm) * dt_s / spec.efficiency
        return current

"""Sensors: from the plant's volts, amps and degrees to the 16-bit counts that the relay reads.

Each head measures its own box against the box's negative lead.  For every module in its slot the upper and the
lower tap are read together, so a changing current does not tear a module's voltage apart.  Taps, string and link
pass a first-order filter (1 Mohm over 68 kohm and 100 nF: 25 Hz), exact for voltages that hold over a step.

Knobs (call `changed()` after touching any): `lead_open[k]` (upper tap of module k pulled to the box's negative by
its divider), `ref_open[b]` (the box's negative lead: the head floats to the mean of its taps), `lead_ohm[k]` (series
resistance in the lead), `lead_short[k]` (upper lead of k touching that of k+1), `swapped` (None or k: upper leads of
k and k+1 crossed), `frozen[k]`, `frozen_head[b]`, `absent` (bitmask of boxes whose head does not answer), `gain[k]`,
`offset_v[k]`, `ref_drift[b]` (relative; scales the head and its own REF), `noise_scale`, `spike[k]` (volts, now and
then), `mux_shift[b]` (channel k reads k+1); current: `current_offset_a`, `current_gain` (-1: inverted),
`current_dead` (mid-scale), `current_stuck_a` (None or A; beyond the sensor's range is its rail),
`current_drift_a_per_s`; probes: `probe_fault[b]` (None, "open", "short", "frozen"), `probe_offset_c[b]`;
`string_open`, `string_gain`, `link_open`, `link_gain`, `aux_open`, `iso_stuck`.
"""

from __future__ import annotations

import math
import random
from array import array
from typing import List, Optional

from packwarden.plant.plant import Plant
from packwarden.plant.spec import PackSpec
from packwarden.plant.string import total

UPPER, LOWER, STRING, LINK, CURRENT, AUX, PROBE, REF, ISO_P, ISO_N = 0, 24, 48, 49, 50, 51, 52, 58, 64, 65
COUNTS = 72
REF_COUNTS = 32768
DIVIDER_OHM = 1.068e6  # of a sense lead's divider: 1 Mohm over 68 kohm
NOISE_N = 4096

# Steinhart-Hart coefficients of a 10 kohm thermistor of the 10K3MCD1 kind: solved through -40 degC 336103.2 ohm and
# 0 degC 32650.9 ohm of the table in the Campbell Scientific 109SS manual (C-1) and 10000 ohm at 25 degC.
NTC_A, NTC_B, NTC_C = 1.12914830e-03, 2.34124552e-04, 8.76742139e-08


def ntc_ohm(temp_c: float) -> float:
    """Resistance of the thermistor, ohm, by the inverse of the Steinhart-Hart equation."""
    x = (NTC_A - 1.0 / (temp_c + 273.15)) / NTC_C
    y = math.sqrt((NTC_B / (3.0 * NTC_C)) ** 3 + x * x / 4.0)
    return math.exp((y - x / 2.0) ** (1.0 / 3.0) - (y + x / 2.0) ** (1.0 / 3.0))


class Sensors:
    """Samples a plant.  Deterministic for a seed, on any Python."""

    def __init__(self, spec: PackSpec, plant: Plant, seed: int) -> None:
        self.plant = plant
        self.spec = s = spec.sensors
        rng = random.Random(seed)
        n, boxes = spec.n_modules, len(spec.boxes)
        self.n, self.boxes = n, spec.boxes
        self.box_of = plant.string.box_of
        self.start_of = [sum(spec.boxes[:b]) for b in range(boxes)]
        self.own_gain = [1.0 + rng.gauss(0.0, s.gain_error) for _ in range(n)]
        self.own_offset_v = [rng.gauss(0.0, s.offset_v) for _ in range(n)]
        self.own_string = 1.0 + rng.gauss(0.0, s.gain_error)
        self.own_link = 1.0 + rng.gauss(0.0, s.gain_error)
        self.own_current_a = rng.gauss(0.0, s.current_offset_a)
        self.noise = [rng.gauss(0.0, 1.0) for _ in range(NOISE_N)]
        self.noise_at = seed % NOISE_N
        self.lead_open = [False] * n
        self.lead_ohm = [0.0] * n
        self.lead_short = [False] * n
        self.swapped: Optional[int] = None
        self.frozen = [False] * n
        self.gain = [1.0] * n
        self.offset_v = [0.0] * n
        self.spike = [0.0] * n
        self.ref_open = [False] * boxes
        self.frozen_head = [False] * boxes
        self.ref_drift = [0.0] * boxes
        self.mux_shift = [False] * boxes
        self.absent = 0
        self.noise_scale = 1.0
        self.current_offset_a = 0.0
        self.current_gain = 1.0
        self.current_dead = False
        self.current_stuck_a: Optional[float] = None
        self.current_drift_a_per_s = 0.0
        self.probe_fault: List[Optional[str]] = [None] * boxes
        self.probe_offset_c = [0.0] * boxes
        self.string_open = self.link_open = self.aux_open = False
        self.string_gain = self.link_gain = 1.0
        self.iso_stuck = False
        self._held = [0] * n  # counts of frozen channels
        self._held_low = [0] * n
        self._probe_held = [REF_COUNTS] * boxes
        self._drift_from_s = 0.0
        self._faulty = False
        self._probe_s = -1.0
        self._filtered = list(plant.module_v)
        self._string_v, self._link_v = plant.string_v, plant.bus.link_v
        self._filtered_s = plant.t_s
        self._filter = (0.0, 1.0)  # step and its decay

    def changed(self) -> None:
        """Some knob was touched."""
        self._faulty = (
            any(self.lead_open) or any(self.lead_ohm) or any(self.lead_short) or self.swapped is not None
            or any(self.frozen) or any(self.spike) or any(self.ref_open) or any(self.frozen_head)
            or any(self.ref_drift) or any(self.mux_shift) or any(g != 1.0 for g in self.gain) or any(self.offset_v)
        )  # fmt: skip
        self._probe_s = -1.0
        self._drift_from_s = self.plant.t_s

    def sample(self, counts: "array[int]", first: int, n: int) -> None:
        """Write the taps of modules first..first+n-1 (round the string) and every scalar into `counts`."""
        s, plant = self.spec, self.plant
        noise, at = self.noise, self.noise_at
        rough = s.noise_counts * self.noise_scale
        per = s.tap_v_per_count
        volts = self._through_filter()
        k = first
        for _ in range(n):
            if k >= self.n:
                k = 0
            start = self.start_of[self.box_of[k]]
            if self._faulty:
                self._faulty_pair(counts, k, start, volts, noise[at & 4095] * rough, noise[at + 1 & 4095] * rough)
            else:
                low = 0.0
                for j in range(start, k):
                    low += volts[j]
                up = low + volts[k]
                c = int(up * self.own_gain[k] / per + self.own_offset_v[k] / per + noise[at & 4095] * rough + 0.5)
                counts[k] = 0 if c < 0 else 65535 if c > 65535 else c
                if k > start:
                    c = int(low * self.own_gain[k - 1] / per + self.own_offset_v[k - 1] / per
                            + noise[at + 1 & 4095] * rough + 0.5)  # fmt: skip
                    counts[24 + k] = 0 if c < 0 else 65535 if c > 65535 else c
                else:
                    counts[24 + k] = 0
            at += 2
            k += 1
        string_v = 0.0 if self.string_open else self._string_v * self.string_gain * self.own_string
        link_v = 0.0 if self.link_open else self._link_v * self.link_gain * self.own_link
        counts[STRING] = _clamp(string_v / s.string_v_per_count + noise[at & 4095] * rough)
        counts[LINK] = _clamp(link_v / s.string_v_per_count + noise[at + 1 & 4095] * rough)
        counts[CURRENT] = self._current(noise[at + 2 & 4095])
        aux_v = 0.0 if self.aux_open else plant.bus.aux_v
        counts[AUX] = _clamp(aux_v / s.aux_v_per_count + noise[at + 3 & 4095] * rough)
        self.noise_at = at + 5 & 4095  # odd in all, so that the whole table is walked
        iso = plant.isolation
        if not self.iso_stuck:
            counts[ISO_P] = _clamp(iso.pos_v / s.iso_v_per_count)
            counts[ISO_N] = _clamp(iso.neg_v / s.iso_v_per_count)
        if plant.t_s >= self._probe_s:
            self._probe_s = plant.t_s + 0.5
            self._boxes(counts)

    def _through_filter(self) -> List[float]:
        """Module voltages behind the filter, brought up to the plant's time; string and link with them."""
        plant = self.plant
        dt_s = plant.t_s - self._filtered_s
        if dt_s <= 0.0:
            return self._filtered
        self._filtered_s = plant.t_s
        kept_s, a = self._filter
        if not -1e-9 < dt_s - kept_s < 1e-9:
            a = math.exp(-dt_s / self.spec.filter_s) if self.spec.filter_s else 0.0
            self._filter = (dt_s, a)
        volts, filtered = plant.module_v, self._filtered
        for k in range(self.n):
            v = volts[k]
            filtered[k] = v + a * (filtered[k] - v)
        self._string_v = plant.string_v + a * (self._string_v - plant.string_v)
        self._link_v = plant.bus.link_v + a * (self._link_v - plant.bus.link_v)
        return self._filtered

    def _current(self, noise: float) -> int:
        s = self.spec
        a = self.plant.i_a * self.current_gain + self.current_offset_a + self.own_current_a + noise * s.current_noise_a
        if self.current_drift_a_per_s:
            a += self.current_drift_a_per_s * (self.plant.t_s - self._drift_from_s)
        if self.current_dead:
            a = self.own_current_a + noise * s.current_noise_a
        if self.current_stuck_a is not None:
            a = self.current_stuck_a
        top = s.current_max_a
        return _clamp(32768 + (top if a > top else -top if a < -top else a) / s.current_a_per_count)

    def _boxes(self, counts: "array[int]") -> None:
        """Probes and references: slow things, twice a second."""
        for b in range(len(self.boxes)):
            fault = self.probe_fault[b]
            if fault == "open":
                c = 65535
            elif fault == "short":
                c = 0
            elif fault == "frozen":
                c = self._probe_held[b]
            else:
                ohm = ntc_ohm(self.plant.box_temp_c[b] + self.probe_offset_c[b])
                c = self._probe_held[b] = _clamp(65535.0 * ohm / (ohm + 10000.0))
            counts[PROBE + b] = c
            # A head whose reference has fallen reads everything too high, its own fixed path included.
            counts[REF + b] = _clamp(REF_COUNTS * (1.0 + self.ref_drift[b]))

    # -- faults of leads, channels and heads ------------------------------------------------------------

    def _faulty_pair(self, counts: "array[int]", k: int, start: int, volts: List[float], n1: float, n2: float) -> None:
        up = self._channel(k, start, volts, n1)
        low = self._channel(k - 1, start, volts, n2) if k > start else 0
        box = self.box_of[k]
        if self.frozen[k] or self.frozen_head[box]:
            up = self._held[k]
        if self.frozen_head[box]:
            low = self._held_low[k]
        elif k > start and self.frozen[k - 1]:
            low = self._held[k - 1]
        counts[k], counts[24 + k] = up, low

    def freeze(self, k: int, counts: "array[int]") -> None:
        """Hold channel k at what it last read."""
        self._held[k], self._held_low[k] = counts[k], counts[24 + k]
        self.frozen[k] = True
        self.changed()

    def freeze_head(self, box: int, counts: "array[int]") -> None:
        """Hold every channel of a box's head at what it last read."""
        for k in range(self.n):
            if self.box_of[k] == box:
                self._held[k], self._held_low[k] = counts[k], counts[24 + k]
        self.frozen_head[box] = True
        self.changed()

    def _lead_v(self, k: int, start: int, volts: List[float]) -> float:
        """Voltage on the wire that should be the upper tap of module k, against the box's negative."""
        if self.swapped is not None:
            if k == self.swapped:
                k += 1
            elif k == self.swapped + 1:
                k -= 1
        v = total(volts[start : k + 1])
        if self.lead_short[k] and k + 1 < self.n and self.box_of[k + 1] == self.box_of[k]:
            v += 0.5 * volts[k + 1]
        elif k > start and self.lead_short[k - 1]:
            v -= 0.5 * volts[k]
        return v

    def _channel(self, k: int, start: int, volts: List[float], noise: float) -> int:
        box = self.box_of[k]
        if self.mux_shift[box]:
            last = start + self.boxes[box] - 1
            k = start if k == last else k + 1
        v = 0.0 if self.lead_open[k] else self._lead_v(k, start, volts)
        v *= DIVIDER_OHM / (DIVIDER_OHM + self.lead_ohm[k])
        if self.ref_open[box]:
            # The head's ground is held only by the dividers: it floats to the mean of its taps.
            ends = [total(volts[start : j + 1]) for j in range(start, start + self.boxes[box])]
            v -= total(ends) / len(ends)
        v = v * self.own_gain[k] * self.gain[k] + self.own_offset_v[k] + self.offset_v[k]
        if self.spike[k] and noise > 1.0:
            v += self.spike[k]
        v *= 1.0 + self.ref_drift[box]
        return _clamp(v / self.spec.tap_v_per_count + noise)


def _clamp(c: float) -> int:
    """Nearest count of a 16-bit converter."""
    i = int(c + 0.5)
    return 0 if i < 0 else 65535 if i > 65535 else i

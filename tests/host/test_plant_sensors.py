"""The measuring chain: what a healthy one reads, and what each fault does to the counts."""

from __future__ import annotations

import dataclasses
import hashlib
import math
import shutil
import statistics
import subprocess
import sys
from array import array
from pathlib import Path

import pytest

import packwarden
from packwarden.packs import load_pack
from packwarden.plant import Commands, Plant, Sensors
from packwarden.plant.bus import OUT_MAIN, OUT_PRECHARGE
from packwarden.plant.sensors import AUX, COUNTS, CURRENT, DIVIDER_OHM, ISO_N, ISO_P, LINK, PROBE, REF, STRING, ntc_ohm

TRUCK = load_pack("orchard-truck")
EXACT = dataclasses.replace(
    TRUCK.sensors, gain_error=0.0, offset_v=0.0, noise_counts=0.0, current_noise_a=0.0, current_offset_a=0.0,
    filter_s=0.0,
)  # fmt: skip
V = TRUCK.sensors.tap_v_per_count


class Rig:
    """A plant at rest and its sensors, without errors of their own unless asked."""

    def __init__(self, exact: bool = True) -> None:
        spec = dataclasses.replace(TRUCK, sensors=EXACT) if exact else TRUCK
        self.plant, self.c = Plant(spec, 1, 0.8), Commands()
        self.sensors = Sensors(spec, self.plant, 2)
        self.counts = array("H", [0]) * COUNTS
        self.read()

    def read(self, steps: int = 1) -> None:
        self.sensors.changed()
        for _ in range(steps):
            self.plant.step(0.01, self.c)
            self.sensors.sample(self.counts, 0, 12)

    def modules(self) -> list[float]:
        """Module voltages as read, V."""
        return [(self.counts[k] - self.counts[24 + k]) * V for k in range(12)]

    def amps(self) -> float:
        return (self.counts[CURRENT] - 32768) * EXACT.current_a_per_count


def test_a_healthy_chain_reads_the_plant() -> None:
    rig = Rig()
    assert rig.modules() == pytest.approx(rig.plant.module_v, abs=2 * V)
    assert rig.counts[24] == rig.counts[24 + 5] == 0
    assert rig.counts[STRING] * 0.006 == pytest.approx(rig.plant.string_v, abs=0.01)
    assert rig.amps() == pytest.approx(0.0, abs=0.02)
    assert rig.counts[AUX] * 0.0003125 == pytest.approx(rig.plant.aux_v, abs=0.001)
    assert rig.counts[ISO_P] + rig.counts[ISO_N] == pytest.approx(rig.plant.string_v / 0.006, abs=2)
    assert list(rig.counts[REF : REF + 2]) == [32768, 32768]
    ohm = ntc_ohm(25.0)
    assert rig.counts[PROBE] == pytest.approx(65535 * ohm / (ohm + 10000.0), abs=20)


def test_its_own_errors_are_as_large_as_the_file_says() -> None:
    rig = Rig(exact=False)
    reads = []
    for _ in range(400):
        rig.read()
        reads.append(rig.counts[4])
    assert 0.5 * TRUCK.sensors.noise_counts < statistics.stdev(reads) < 2.0 * TRUCK.sensors.noise_counts
    assert rig.modules() == pytest.approx(rig.plant.module_v, abs=0.2)
    assert rig.modules() != pytest.approx(rig.plant.module_v, abs=1e-4)


def test_the_filter_lags_a_step_by_its_time_constant() -> None:
    """Source: first-order lag, closed form."""
    spec = dataclasses.replace(TRUCK, sensors=dataclasses.replace(EXACT, filter_s=0.02))
    plant, c = Plant(spec, 1, 0.8), Commands()
    sensors, counts = Sensors(spec, plant, 2), array("H", [0]) * COUNTS
    start = plant.module_v[0]
    for n in range(1, 8):
        plant.step(0.01, c)
        plant.module_v = [start + 1.0] + plant.module_v[1:]
        sensors.sample(counts, 0, 12)
        assert counts[0] * V - start == pytest.approx(1.0 - math.exp(-n * 0.01 / 0.02), abs=2 * V)


def test_only_the_sampled_modules_are_written() -> None:
    rig = Rig()
    rig.counts = array("H", [7]) * COUNTS
    rig.sensors.sample(rig.counts, 11, 2)
    assert [k for k in range(12) if rig.counts[k] != 7] == [0, 11]
    assert rig.counts[24 + 11] > 30000 and rig.counts[24] == 0
    assert all(rig.counts[k] == 7 for k in range(12, 24))


def faulty(knob: str, at: int | None, value: object) -> Rig:
    rig = Rig()
    assert hasattr(rig.sensors, knob)
    if at is None:
        setattr(rig.sensors, knob, value)
    else:
        getattr(rig.sensors, knob)[at] = value
    rig.read()
    return rig


def changed(rig: Rig) -> dict[int, float]:
    """Modules that read otherwise than they are, and by how much."""
    off = [a - b for a, b in zip(rig.modules(), rig.plant.module_v)]
    return {k: round(v, 1) for k, v in enumerate(off) if abs(v) > 0.01}


def test_leads() -> None:
    v = Rig().plant.module_v
    full = round(v[0], 1)
    opened = faulty("lead_open", 2, True)
    assert opened.counts[2] == 0 and opened.counts[24 + 3] == 0
    assert changed(opened)[2] == pytest.approx(-3 * full, abs=0.3)
    assert changed(opened)[3] == pytest.approx(3 * full, abs=0.3)
    last = faulty("lead_open", 4, True)
    assert list(changed(last)) == [4]
    short = changed(faulty("lead_short", 1, True))
    assert sorted(short) == [1, 2, 3]
    assert [short[k] for k in (1, 2, 3)] == pytest.approx([full / 2, -full, full / 2], abs=0.1)
    crossed = faulty("swapped", None, 1)
    assert crossed.modules()[1:4] == pytest.approx([2 * v[1], -v[2], 2 * v[3]], abs=0.05)
    weak = faulty("lead_ohm", 2, 100e3)
    assert weak.counts[2] * V == pytest.approx(sum(v[:3]) * DIVIDER_OHM / (DIVIDER_OHM + 100e3), abs=0.01)
    assert sorted(changed(weak)) == [2, 3]
    floating = faulty("ref_open", 1, True)
    assert set(changed(floating)) <= set(range(5, 12)) and 5 in changed(floating)


def test_channels_and_heads() -> None:
    v = Rig().plant.module_v
    gained = faulty("gain", 6, 1.1)
    assert changed(gained) == {6: pytest.approx(2 * v[6] * 0.1, abs=0.1), 7: pytest.approx(-2 * v[6] * 0.1, abs=0.1)}
    offset = faulty("offset_v", 6, 0.8)
    assert changed(offset) == {6: pytest.approx(0.8, abs=0.01), 7: pytest.approx(-0.8, abs=0.01)}
    drifted = faulty("ref_drift", 1, 0.1)
    assert set(changed(drifted)) == set(range(5, 12))
    assert drifted.modules()[7] == pytest.approx(1.1 * v[7], abs=0.02)
    assert list(drifted.counts[REF : REF + 2]) == [32768, 36045]
    shifted = faulty("mux_shift", 0, True)
    assert shifted.counts[0] * V == pytest.approx(v[0] + v[1], abs=0.01)
    assert shifted.counts[4] * V == pytest.approx(v[0], abs=0.01)
    noisy = Rig(exact=False)
    noisy.sensors.noise_scale = 100.0
    reads = []
    for _ in range(200):
        noisy.read()
        reads.append(noisy.counts[4])
    assert statistics.stdev(reads) > 50.0 * TRUCK.sensors.noise_counts
    spiky = Rig(exact=False)
    spiky.sensors.spike[3] = 5.0
    seen = []
    for _ in range(300):
        spiky.read()
        seen.append(spiky.modules()[3] > 15.0)
    assert 10 < sum(seen) < 100


def test_frozen_channels_hold_what_they_read() -> None:
    rig = Rig()
    held = list(rig.counts[:12])
    rig.sensors.freeze(3, rig.counts)
    rig.sensors.freeze_head(1, rig.counts)
    rig.plant.string.set_charge_state(3, 0.2)
    rig.plant.string.set_charge_state(8, 0.2)
    rig.read()
    assert rig.plant.module_v[3] < 12.2
    assert rig.counts[3] == rig.counts[24 + 4] == held[3] and list(rig.counts[5:12]) == held[5:]
    rig.sensors.frozen[3] = False
    rig.read()
    assert rig.counts[3] != held[3]


def test_the_current_sensor() -> None:
    rig = Rig()
    rig.plant.bus.link_v = 150.0
    rig.c.out_bits = OUT_MAIN | OUT_PRECHARGE
    rig.plant.bus.runaway_w = 15000.0
    rig.read(100)
    true_a = rig.plant.i_a
    assert true_a > 90.0 and rig.amps() == pytest.approx(true_a, abs=0.02)
    s = rig.sensors
    s.current_offset_a = 15.0
    rig.read()
    assert rig.amps() == pytest.approx(rig.plant.i_a + 15.0, abs=0.02)
    s.current_offset_a, s.current_gain = 0.0, -1.0
    rig.read()
    assert rig.amps() == pytest.approx(-rig.plant.i_a, abs=0.02)
    s.current_gain, s.current_dead = 1.0, True
    rig.read()
    assert rig.amps() == pytest.approx(0.0, abs=0.02)
    s.current_dead, s.current_stuck_a = False, 600.0
    rig.read()
    assert rig.amps() == pytest.approx(EXACT.current_max_a, abs=0.02)
    s.current_stuck_a, s.current_drift_a_per_s = None, 1.0
    rig.read()
    for _ in range(200):
        rig.plant.step(0.01, rig.c)
    rig.sensors.sample(rig.counts, 0, 2)
    assert rig.amps() == pytest.approx(rig.plant.i_a + 2.0, abs=0.05)
    s.current_drift_a_per_s = 0.0
    rig.plant.i_a = 700.0
    rig.sensors.sample(rig.counts, 0, 2)
    assert rig.amps() == pytest.approx(EXACT.current_max_a, abs=0.02)


def test_probes_and_scalar_taps() -> None:
    assert faulty("probe_fault", 1, "open").counts[PROBE + 1] == 65535
    assert faulty("probe_fault", 1, "short").counts[PROBE + 1] == 0
    warm = faulty("probe_offset_c", 0, 15.0)
    ohm = ntc_ohm(40.0)
    assert warm.counts[PROBE] == pytest.approx(65535 * ohm / (ohm + 10000.0), abs=40)
    frozen = Rig()
    before = frozen.counts[PROBE]
    frozen.sensors.probe_fault[0] = "frozen"
    frozen.plant.string.box_temp_forced_c[0] = 60.0
    frozen.read(100)
    assert frozen.plant.box_temp_c[0] == 60.0 and frozen.counts[PROBE] == before
    for knob, place in (("string_open", STRING), ("aux_open", AUX)):
        rig = Rig()
        assert rig.counts[place] > 20000
        setattr(rig.sensors, knob, True)
        rig.read()
        assert rig.counts[place] == 0
    rig = Rig()
    rig.plant.bus.link_v = 100.0
    rig.read()
    shown = rig.counts[LINK]
    assert shown > 10000
    rig.sensors.link_gain = 0.5
    rig.read()
    assert rig.counts[LINK] < 0.55 * shown
    rig.sensors.link_open = True
    rig.read()
    assert rig.counts[LINK] == 0
    gained = faulty("string_gain", None, 1.1)
    assert gained.counts[STRING] * 0.006 == pytest.approx(1.1 * gained.plant.string_v, abs=0.02)
    iso = Rig()
    before = iso.counts[ISO_P]
    iso.sensors.iso_stuck = True
    iso.plant.isolation.leak_pos_ohm = 1e4
    iso.read(100)
    assert iso.counts[ISO_P] == before and iso.plant.isolation.pos_v < 10.0


# -- the same on every Python -----------------------------------------------------------------------------------

DRIVE = """
import hashlib, sys
from array import array
sys.path.insert(0, sys.argv[1])
from packwarden.plant import Commands, PackSpec, Plant, Sensors
spec = PackSpec()
plant, c = Plant(spec, 11, 0.8), Commands()
sensors, counts = Sensors(spec, plant, 12), array("H", [0]) * 72
seen = hashlib.sha256()
first = 0
for n in range(3000):
    c.out_bits = 2 if n < 150 else 3 if n < 160 else 9 if n < 2500 else 4
    c.mains = n > 2550
    c.limit_permille = 1000
    c.demand_w = (n * 7919 % 400) * 100.0 - 6000.0
    plant.step(0.01, c)
    sensors.sample(counts, first, 2)
    first = (first + 2) % 12
    seen.update(counts.tobytes())
print(seen.hexdigest(), "%.6f" % plant.link_v, "%.9f" % plant.charge_state(3))
"""


def drive_under(python: str) -> str:
    host = str(Path(packwarden.__file__).parents[1])
    return subprocess.run([python, "-c", DRIVE, host], capture_output=True, text=True, timeout=120, check=True).stdout


def test_a_run_repeats_itself() -> None:
    """Canary for the next one, too: the digest has the right shape and the drive really moved the plant."""
    one, again = drive_under(sys.executable), drive_under(sys.executable)
    assert one == again and len(one.split()[0]) == hashlib.sha256().digest_size * 2
    assert float(one.split()[1]) > 10.0 and float(one.split()[2]) < 0.8


@pytest.mark.skipif(shutil.which("pypy3") is None, reason="no pypy3: apt install pypy3")
def test_pypy_reads_the_same_counts() -> None:
    """Seeds replay everywhere: the same counts, bit for bit, from another implementation of Python (3.9)."""
    assert drive_under("pypy3") == drive_under(sys.executable)

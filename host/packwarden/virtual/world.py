"""What the virtual board's pins are wired to: a pack with its sensors, the switches of a car, and the drivers."""

from __future__ import annotations

import ast
import time
from array import array
from dataclasses import dataclass
from pathlib import Path

from packwarden.bench.context import BITS
from packwarden.bench.course import KEY, LOOPS, MAINAUX, PEDAL, UNPLUG
from packwarden.bench.target import COUNTS
from packwarden.plant import Commands, Plant, Sensors
from packwarden.plant.spec import PackSpec

STEP_MS = 10
BEHIND_MS_MAX = 200  # of the pack's time that is made up in one go; what is beyond is let go
OUTPUTS = {
    "main": 1, "pre": 2, "charger": 4, "enable": 8, "fan": 16, "lamp": 32, "triplamp": 64, "buzzer": 128,
    "iso_pos": 256, "iso_neg": 512,
}  # fmt: skip
DRIVERS = 15
CHIPS = {
    "cs_head1a": (0, 0), "cs_head1b": (1, 0), "cs_head2a": (0, 1), "cs_head2b": (1, 1),
    "cs_bus": (2, 0), "cs_local": (3, 0), "cs_inputs": (4, 0),
}  # fmt: skip


@dataclass(frozen=True)
class PinRow:
    """A row of the firmware's pin table."""

    name: str
    gpio: int
    direction: str
    safe: int
    meaning: str


def pin_table(board_file: Path) -> dict[str, PinRow]:
    """PINS of a board file, read without running it."""
    for node in ast.parse(board_file.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "PINS":
            return {row[0]: PinRow(*row) for row in ast.literal_eval(node.value)}
    raise ValueError("no PINS in %s" % board_file)


class World:
    """`raw`: the switches, bits as in warden.modes; `demand_w`: what the driver asks; `out_bits`: what is on.

    Faults are plain attributes: `stuck` (inputs that read closed whatever is done), `welded` (drivers that stay on),
    `deaf` (the expander reads nothing).
    """

    def __init__(self, spec: PackSpec, pins: dict[str, PinRow], seed: int = 1) -> None:
        self.spec = spec
        self.pins = pins
        self.names = {row.gpio: row.name for row in pins.values()}
        self.plant = Plant(spec, seed)
        self.sensors = Sensors(spec, self.plant, seed + 1)
        self.commands = Commands()
        self.counts = array("H", [0] * COUNTS)
        self.raw = LOOPS | UNPLUG | PEDAL
        self.strap = False
        self.plugged = False
        self.stuck = self.welded = 0
        self.deaf = False
        self.levels: dict[str, int] = {}
        self.history: list[tuple[float, str, int]] = []  # (wall s, pin, level), power drivers only
        self.limit_permille = 0
        self.alive_n = 0
        self.flash_n = self.flash_while_on_n = 0  # operations on the flash; of them, with a power driver on
        self._then = time.monotonic()

    @property
    def out_bits(self) -> int:
        """Outputs whose pins are high."""
        return sum(bit for name, bit in OUTPUTS.items() if self.levels.get(name))

    def press(self, name: str, closed: bool = True) -> None:
        """Set a switch by its name."""
        self.raw = self.raw | BITS[name] if closed else self.raw & ~BITS[name]

    def chips(self) -> list[tuple[int, int, int]]:
        """(gpio, kind, head) of every chip on the bus."""
        return [(self.pins[name].gpio, kind, head) for name, (kind, head) in CHIPS.items()]

    def released(self) -> None:
        """The processor is in reset: its pins are inputs, and every driver is off by its own resistor."""
        for name in OUTPUTS:
            self.set_level(name, 0)

    def set_gpio(self, gpio: int, level: int) -> None:
        """A pin was driven."""
        self.set_level(self.names.get(gpio, str(gpio)), level)

    def set_level(self, name: str, level: int) -> None:
        """A pin has a level, by name."""
        if name == "alive":
            self.alive_n += 1
        elif self.levels.get(name, 0) != level and OUTPUTS.get(name, 0) & DRIVERS:
            self.history.append((time.monotonic(), name, level))
        self.levels[name] = level

    def flash_written(self) -> None:
        """The flash was erased or programmed."""
        self.flash_n += 1
        if self.out_bits & DRIVERS:
            self.flash_while_on_n += 1

    def read_pin(self, gpio: int) -> int:
        """Level of an input pin."""
        if self.names.get(gpio) == "strap":
            return 0 if self.strap else 1
        return 0

    def look(self) -> bytes:
        """Counts, the expander's word, a spare and the absent heads, as the chips' stand-ins want them."""
        self._go_on()
        word = self._inputs()
        return self.counts.tobytes() + array("H", [word, 0, self.sensors.absent]).tobytes()

    def _go_on(self) -> None:
        now = time.monotonic()
        left_ms = min((now - self._then) * 1000.0, BEHIND_MS_MAX)
        self._then = now
        commands = self.commands
        commands.out_bits = self.out_bits | self.welded
        commands.limit_permille = self.limit_permille
        commands.mains = self.plugged
        commands.key = self.raw & KEY != 0
        while left_ms > 0.5:
            step_ms = min(left_ms, STEP_MS)
            self.plant.step(step_ms * 0.001, commands)
            left_ms -= step_ms
        self.sensors.sample(self.counts, 0, self.spec.n_modules)

    def _inputs(self) -> int:
        """The expander's sixteen lines: port A, port B, see firmware/boards/inputs16.py."""
        if self.deaf:
            return 0xFFFF
        raw = self.raw & ~UNPLUG if self.plugged else self.raw
        if self.plant.main.aux_closed:
            raw |= MAINAUX
        if not self.levels.get("feed", 1):
            raw = 0
        raw |= self.stuck
        on = (self.out_bits | self.welded) & DRIVERS
        reset = raw >> 8 & 1
        pedal = raw >> 9 & 1
        return raw & 0xFF | reset << 8 | pedal << 9 | on << 10 | 1 << 14

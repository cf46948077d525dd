"""The bench: scenarios, faults, targets, the run that puts them together, and what came of it."""

from packwarden.paths import use_firmware

use_firmware()  # this room knows both the plant and the relay

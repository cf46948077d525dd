"""The plant: pack, bus, charger, car and sensors in SI floats.  Knows nothing of the relay or the bench."""

from packwarden.plant.plant import Commands, Plant, PlantError
from packwarden.plant.sensors import Sensors
from packwarden.plant.spec import PackSpec

__all__ = ["Commands", "PackSpec", "Plant", "PlantError", "Sensors"]

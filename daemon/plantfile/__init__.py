"""The plant file: one TOML that says everything about a plant, checked once, all problems together.

    plant = load("plant.toml")      # raises PlantFileError with .problems

Exceptions: PlantFileError (Exception) is the only one.
"""

from daemon.plantfile.keys import Key, known_keys
from daemon.plantfile.load import load
from daemon.plantfile.problems import PlantFileError, Problem
from daemon.plantfile.result import (
    BaselineConfig,
    Contact,
    Design,
    DeviceClock,
    ElementTest,
    Forward,
    Page,
    Plant,
    PointConfig,
    Prices,
    Site,
    Store,
    TrainConfig,
)

__all__ = [
    "BaselineConfig",
    "Contact",
    "Design",
    "DeviceClock",
    "ElementTest",
    "Forward",
    "Key",
    "Page",
    "Plant",
    "PlantFileError",
    "PointConfig",
    "Prices",
    "Problem",
    "Site",
    "Store",
    "TrainConfig",
    "known_keys",
    "load",
]

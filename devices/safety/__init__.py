"""Laser safety: exposure limits, optical density, EN 207 levels, hazard distances, eyewear.

A pure package: no Django. Units are in the names. Bad numbers raise InvalidQuantity; what the
tables say nothing about raises OutsideTables. Nothing here is a safety sign-off: the laser safety
officer decides, by the maker's instructions and local law.
"""

from devices.metrology.errors import InvalidQuantity
from devices.safety.density import (
    Beam,
    area_m2,
    d63_mm,
    least_marked,
    optical_density,
    radiant_exposure_j_m2,
    required_density,
)
from devices.safety.distance import (
    Growth,
    diffuse_distance_m,
    hazard_distance_m,
    lens_distance_m,
)
from devices.safety.errors import MarkUnreadable, OutsideTables, SetsMixed
from devices.safety.eyewear import Density, Lens, Short, Shortfall, fits, shortfalls
from devices.safety.levels import (
    EN207_2017,
    EN207_OLDER,
    Level,
    Protection,
    TestConditions,
    level,
    protection,
)
from devices.safety.limits import USUAL_EXPOSURE_S, Exposure, Limit, Rule, exposure_limit
from devices.safety.marks import Mark, read_mark
from devices.safety.requirement import Emission, Requirement, worst_requirement
from devices.safety.room import Firing, Fit, Kept, Lacking, People, RoomCheck, check_room
from devices.safety.vocabulary import Clause, LimitSet, Mode, Tissue

__all__ = [
    "EN207_2017",
    "EN207_OLDER",
    "USUAL_EXPOSURE_S",
    "Beam",
    "Clause",
    "Density",
    "Emission",
    "Exposure",
    "Firing",
    "Fit",
    "Growth",
    "InvalidQuantity",
    "Kept",
    "Lacking",
    "Lens",
    "Level",
    "Limit",
    "LimitSet",
    "Mark",
    "MarkUnreadable",
    "Mode",
    "OutsideTables",
    "People",
    "Protection",
    "Requirement",
    "RoomCheck",
    "Rule",
    "SetsMixed",
    "Short",
    "Shortfall",
    "TestConditions",
    "Tissue",
    "area_m2",
    "check_room",
    "d63_mm",
    "diffuse_distance_m",
    "exposure_limit",
    "fits",
    "hazard_distance_m",
    "least_marked",
    "lens_distance_m",
    "level",
    "optical_density",
    "protection",
    "radiant_exposure_j_m2",
    "read_mark",
    "required_density",
    "shortfalls",
    "worst_requirement",
]

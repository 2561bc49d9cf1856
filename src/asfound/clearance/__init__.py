"""Planned digs against lines: how close, how sure, what is required, where to expose."""

from asfound.clearance._known import known_lines, refits_of
from asfound.clearance.advice import advise_exposures
from asfound.clearance.bore_path import bore_between, bore_by_station
from asfound.clearance.check import check_digs, regret, same_place
from asfound.clearance.exposures import apply_exposures
from asfound.clearance.jurisdictions import jurisdiction_rules
from asfound.clearance.required import (
    DEFAULT_RULES,
    preset_rules,
    required_rules,
    rules_for,
    rules_from_toml,
    utility_classes,
)
from asfound.clearance.solids import Solid, footprint_of, solid_of
from asfound.clearance.surface import (
    GroundSurface,
    ground_doubt,
    surface_from_ground,
    surface_from_points,
)

__all__ = [
    "DEFAULT_RULES",
    "GroundSurface",
    "Solid",
    "advise_exposures",
    "apply_exposures",
    "bore_between",
    "bore_by_station",
    "check_digs",
    "footprint_of",
    "ground_doubt",
    "jurisdiction_rules",
    "known_lines",
    "preset_rules",
    "refits_of",
    "regret",
    "required_rules",
    "rules_for",
    "rules_from_toml",
    "same_place",
    "solid_of",
    "surface_from_ground",
    "surface_from_points",
    "utility_classes",
]

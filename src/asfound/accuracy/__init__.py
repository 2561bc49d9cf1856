"""Accuracy: what checks prove of a job, in the words of published standards."""

from asfound.accuracy.checks import KINDS, control_checks, repeat_checks
from asfound.accuracy.exposures import Exposure, exposure_checks, stations_of
from asfound.accuracy.honesty import judge_budget
from asfound.accuracy.mix_ups import find_mix_ups, weigh
from asfound.accuracy.quality_levels import (
    ASSIGNED_BY,
    propose_level,
    propose_levels,
    scheme,
    schemes,
)
from asfound.accuracy.segments import KNOWN_BY, segments_of
from asfound.accuracy.statements import (
    asprs_statement,
    asprs_three_dimensional,
    effective_freedom,
    nssda_horizontal,
    nssda_vertical,
    root_mean_square,
    statements,
)
from asfound.accuracy.suspects import CAUSES, Suspect, suspects

__all__ = [
    "ASSIGNED_BY",
    "CAUSES",
    "KINDS",
    "KNOWN_BY",
    "Exposure",
    "Suspect",
    "asprs_statement",
    "asprs_three_dimensional",
    "control_checks",
    "effective_freedom",
    "exposure_checks",
    "find_mix_ups",
    "judge_budget",
    "nssda_horizontal",
    "nssda_vertical",
    "propose_level",
    "propose_levels",
    "repeat_checks",
    "root_mean_square",
    "scheme",
    "schemes",
    "segments_of",
    "statements",
    "stations_of",
    "suspects",
    "weigh",
]

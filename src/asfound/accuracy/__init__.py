"""Accuracy: what checks prove of a job, in the words of published standards."""

from asfound.accuracy.checks import (
    KINDS,
    allowed_95,
    control_checks,
    joined_checks,
    repeat_checks,
    return_checks,
)
from asfound.accuracy.exposures import exposure_checks, stations_of
from asfound.accuracy.honesty import check_chances, joint_chance, judge_budget
from asfound.accuracy.mix_ups import ALARM, find_mix_ups, weigh
from asfound.accuracy.quality_levels import (
    ASSIGNED_BY,
    propose_level,
    propose_levels,
    scheme,
    schemes,
    usual_schemes,
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
    "ALARM",
    "ASSIGNED_BY",
    "CAUSES",
    "KINDS",
    "KNOWN_BY",
    "Suspect",
    "allowed_95",
    "asprs_statement",
    "asprs_three_dimensional",
    "check_chances",
    "control_checks",
    "effective_freedom",
    "exposure_checks",
    "find_mix_ups",
    "joined_checks",
    "joint_chance",
    "judge_budget",
    "nssda_horizontal",
    "nssda_vertical",
    "propose_level",
    "propose_levels",
    "repeat_checks",
    "return_checks",
    "root_mean_square",
    "scheme",
    "schemes",
    "segments_of",
    "statements",
    "stations_of",
    "suspects",
    "usual_schemes",
    "weigh",
]

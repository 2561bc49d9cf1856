"""Accuracy: what checks prove of a job, in the words of published standards."""

from asfound.accuracy.checks import KINDS, Checks, control_checks, repeat_checks
from asfound.accuracy.exposures import Exposure, exposure_checks, stations_of
from asfound.accuracy.honesty import BudgetTest, judge_budget
from asfound.accuracy.mix_ups import MixUp, MixUpReport, find_mix_ups, weigh
from asfound.accuracy.statements import (
    RootMeanSquare,
    Statement,
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
    "CAUSES",
    "KINDS",
    "BudgetTest",
    "Checks",
    "Exposure",
    "MixUp",
    "MixUpReport",
    "RootMeanSquare",
    "Statement",
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
    "repeat_checks",
    "root_mean_square",
    "statements",
    "stations_of",
    "suspects",
    "weigh",
]

"""Accuracy: what checks prove of a job, in the words of published standards."""

from asfound.accuracy.checks import KINDS, Checks, control_checks, repeat_checks
from asfound.accuracy.exposures import Exposure, exposure_checks, stations_of
from asfound.accuracy.honesty import BudgetTest, judge_budget
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

__all__ = [
    "KINDS",
    "BudgetTest",
    "Checks",
    "Exposure",
    "RootMeanSquare",
    "Statement",
    "asprs_statement",
    "asprs_three_dimensional",
    "control_checks",
    "effective_freedom",
    "exposure_checks",
    "judge_budget",
    "nssda_horizontal",
    "nssda_vertical",
    "repeat_checks",
    "root_mean_square",
    "statements",
    "stations_of",
]

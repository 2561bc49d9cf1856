"""Error budgets, rules and verdicts: how sure each shot is, and what speaks against it."""

from asfound.budget.cover import depths_to_centre
from asfound.budget.ellipses import NORMAL_95, RAYLEIGH_95, circular_factor, principal_axes
from asfound.budget.explain import ExplainedTerm, explain_shot
from asfound.budget.profile import Profile, default_text, load_profile
from asfound.budget.reference import profile_reference, rules_reference
from asfound.budget.rules import RuleContext, registered, with_exposures
from asfound.budget.rules import run as run_rules
from asfound.budget.sizes import (
    NOMINAL_PIPE_SIZE,
    PIPE_KINDS,
    outside_diameters,
    pipe_outside_diameter,
)
from asfound.budget.terms import error_budget
from asfound.budget.verdict import line_verdicts, shot_verdicts

__all__ = [
    "NOMINAL_PIPE_SIZE",
    "NORMAL_95",
    "PIPE_KINDS",
    "RAYLEIGH_95",
    "ExplainedTerm",
    "Profile",
    "RuleContext",
    "circular_factor",
    "default_text",
    "depths_to_centre",
    "error_budget",
    "explain_shot",
    "line_verdicts",
    "load_profile",
    "outside_diameters",
    "pipe_outside_diameter",
    "principal_axes",
    "profile_reference",
    "registered",
    "rules_reference",
    "run_rules",
    "shot_verdicts",
    "with_exposures",
]

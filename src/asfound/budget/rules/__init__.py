"""The rules: small functions, each with a card that says what it checks and on what authority.

Importing this package registers all of them, in the order in which they are reported.
"""

from asfound.budget.rules import (  # noqa: F401 (registration)
    control,
    cover,
    current_events,
    depth,
    exposures,
    gnss,
    lines,
    log,
    pole,
    signal,
    sweeps,
)
from asfound.budget.rules.context import RuleContext, registered, run
from asfound.budget.rules.exposures import with_exposures

__all__ = ["RuleContext", "registered", "run", "with_exposures"]

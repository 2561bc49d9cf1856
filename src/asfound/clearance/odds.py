"""Probabilities of contact and of a required clearance not kept, by lines through normal space.

Everything uncertain is a point u of independent standard normal numbers. Through each of a few
hundred quasi-random points runs a straight line in the one direction that changes the clearance
most; where on it the dig and the utility touch is found by the exact geometry, and the probability
of that stretch is a difference of two normal integrals. The mean over the points is the
probability: what plain drawing estimates by counting is integrated exactly in the direction that
matters, and the rest varies little.

The points are Sobol's sequence scrambled at random eight times; the spread of the eight means is
the error, and points are doubled until it is small enough and two estimates in a row agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.clearance._directions import How
from asfound.clearance._integral import chances
from asfound.clearance._scene import PLAN, SPACE, Scene, core_distance
from asfound.clearance._sobol import normal_points
from asfound.model import ClearanceRule

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Odds:
    """Probabilities of one scene.

    Parameters
    ----------
    contact : float
        Outer surfaces touch.
    pilot : float
        The same for a bore's pilot hole; NaN for other digs.
    breach : tuple of float
        One a rule: its clearance is not kept.
    error : float
        Largest standard error of these.
    sd : float
        Of the clearance between outer surfaces [m].
    quantiles : (3,) float64
        5, 50 and 95 % of the clearance [m].
    draws : int
        Points used.
    """

    contact: float
    pilot: float
    breach: tuple[float, ...]
    error: float
    sd: float
    quantiles: Floats
    draws: int


@dataclass(frozen=True)
class _Event:
    """`core_distance(how, horizontal, vertical) <= radius + extra`."""

    how: str
    horizontal: float
    vertical: float
    extra: float


def odds(
    scene: Scene, rules: Sequence[ClearanceRule] = (), *, pilot_radius: float = float("nan")
) -> Odds:
    """Probabilities of contact and of breaking rules.

    Parameters
    ----------
    scene : Scene
    rules : sequence of ClearanceRule
    pilot_radius : float
        Of a bore's pilot hole [m].
    """
    events = [_Event(SPACE, 0.0, 0.0, scene.rounding)]
    if np.isfinite(pilot_radius):
        events.append(_Event(SPACE, 0.0, 0.0, pilot_radius))
    first_rule = len(events)
    events += [_event(rule, scene.rounding) for rule in rules]
    clearance = _clearance(scene)
    chance = np.zeros(len(events))
    errors = np.zeros(len(events))
    draws = 0
    how: How
    for how in dict.fromkeys((event.how, event.horizontal, event.vertical) for event in events):
        mine = [k for k, e in enumerate(events) if (e.how, e.horizontal, e.vertical) == how]
        extra = np.array([events[k].extra for k in mine])
        value, error, used = chances(scene, how, extra)
        chance[mine], errors[mine], draws = value, error, max(draws, used)
    # a rule that asks for more than no contact can't be kept where there is contact
    breach = np.maximum(chance[first_rule:], chance[0])
    return Odds(
        contact=float(chance[0]),
        pilot=float(chance[1]) if first_rule == 2 else float("nan"),
        breach=tuple(breach.tolist()),
        error=float(errors.max()),
        sd=float(clearance.std()),
        quantiles=np.quantile(clearance, (0.05, 0.5, 0.95)),
        draws=draws,
    )


def _event(rule: ClearanceRule, rounding: float) -> _Event:
    if rule.shape == SPACE:
        return _Event(SPACE, 0.0, 0.0, rounding + rule.distance)
    if rule.shape == PLAN:
        return _Event(PLAN, 0.0, 0.0, rounding + rule.horizontal)
    return _Event(rule.shape, rule.horizontal, rule.vertical, rounding)


def _clearance(scene: Scene) -> Floats:
    u = normal_points(scene.size, 256, 0)
    return core_distance(scene, u, SPACE) - scene.rounding - scene.radii(u)

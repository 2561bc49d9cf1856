"""What all drawings of digs need, gathered once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asfound.clearance import GroundSurface, Solid, solid_of
from asfound.deliver.delivery import Delivery
from asfound.deliver.dig_columns import chance
from asfound.deliver.report.dig_sections import dig_stations
from asfound.deliver.report.dig_words import standing
from asfound.job.digging import ground_surface
from asfound.model import Approach, DigClearance, DigReport


@dataclass(frozen=True, eq=False)
class DigScene:
    """What all drawings of digs need.

    Parameters
    ----------
    delivery : Delivery
    digs : tuple of DigClearance
    solids : dict of int to Solid
    surface : GroundSurface
    numbers : dict
        Number in the table of a dig (its place) and a line (`Approach.line_index`).
    letters : dict of str to str
        Letter of each rule by its id.
    """

    delivery: Delivery
    digs: tuple[DigClearance, ...]
    solids: dict[int, Solid]
    surface: GroundSurface
    numbers: dict[tuple[int, int], int]
    letters: dict[str, str]

    def number(self, place: int, near: Approach) -> str:
        """Of a pair in the table; empty if it stands beyond the printed rows."""
        found = self.numbers.get((place, near.line_index))
        return str(found) if found else ""

    def profile_length(self, place: int) -> float:
        """Last station of a trench or bore [m]."""
        return float(dig_stations(self.solids[place])[-1])


@dataclass(frozen=True, eq=False)
class PlanView:
    """What one plan shows.

    Parameters
    ----------
    places : tuple of int
        Digs.
    low, high : float
        Stations between which a trench or bore is shown [m].
    """

    places: tuple[int, ...]
    low: float = -np.inf
    high: float = np.inf


def dig_scene(delivery: Delivery, report: DigReport, most: int) -> DigScene:
    """The scene of a job's digs.

    Parameters
    ----------
    most : int
        Rows that the table prints.
    """
    surface = ground_surface(delivery.results)
    order = pairs_in_order(report)
    used = {answer.rule.id for item in report.digs for a in item.approaches for answer in a.rules}
    shown = [rule.id for rule in report.rules if rule.id in used]
    return DigScene(
        delivery=delivery,
        digs=report.digs,
        solids={k: solid_of(item.dig, surface) for k, item in enumerate(report.digs)},
        surface=surface,
        numbers={
            (place, near.line_index): number for number, (place, near) in enumerate(order[:most], 1)
        },
        letters={rule: _letter(k) for k, rule in enumerate(shown)},
    )


def pairs_in_order(report: DigReport) -> list[tuple[int, Approach]]:
    """All pairs of dig (its place) and line, the gravest first.

    By standing, then by probability of contact, then of a breach, then by clearance.
    """
    pairs = [(place, near) for place, item in enumerate(report.digs) for near in item.approaches]

    def key(pair: tuple[int, Approach]) -> tuple[float, ...]:
        place, near = pair
        breach = near.p_breach if near.rules else 0.0
        return (-standing(near), -chance(near.p_contact), -breach, near.clearance, place)

    return sorted(pairs, key=key)


def _letter(k: int) -> str:
    return _letter(k // 26 - 1) + chr(65 + k % 26) if k >= 26 else chr(65 + k)

"""A shot's error budget, term by term, for people."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from asfound.model import Budget


@dataclass(frozen=True)
class ExplainedTerm:
    """One cause of error of one shot.

    Parameters
    ----------
    name, title, basis : str
    horizontal_sd : float
        Along the worse horizontal axis [m].
    vertical_sd : float
        [m].
    horizontal_share, vertical_share : float
        Of the total variance, 0 to 1.
    shared : bool
        True if other shots carry the same error.
    """

    name: str
    title: str
    basis: str
    horizontal_sd: float
    vertical_sd: float
    horizontal_share: float
    vertical_share: float
    shared: bool


def explain_shot(budget: Budget, index: int) -> tuple[ExplainedTerm, ...]:
    """Every term of one shot's budget, the largest first.

    Parameters
    ----------
    budget : Budget
    index : int
        Of the shot.
    """

    def of_shot(part: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
        return float(part[index]) if part.ndim else float(part)

    rows = []
    for term in budget.terms:
        east, north = of_shot(term.east_east), of_shot(term.north_north)
        cross = of_shot(term.east_north)
        mean = 0.5 * (east + north)
        worse = mean + float(np.hypot(0.5 * (east - north), cross))
        shared = term.shared_by is not None and bool(term.shared_by[index] >= 0)
        rows.append((term, east + north, max(worse, 0.0), of_shot(term.up_up), shared))
    horizontal = sum(row[1] for row in rows) or 1.0
    vertical = sum(row[3] for row in rows) or 1.0
    explained = [
        ExplainedTerm(
            term.name,
            term.title,
            term.basis,
            float(np.sqrt(worse)),
            float(np.sqrt(up)),
            plan / horizontal,
            up / vertical,
            shared,
        )
        for term, plan, worse, up, shared in rows
    ]
    return tuple(
        sorted(explained, key=lambda t: (-(t.horizontal_share + t.vertical_share), t.name))
    )

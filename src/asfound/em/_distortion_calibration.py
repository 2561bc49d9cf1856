"""How wrong a receiver reads beside neighbours: simulated over a stated prior, put into tables.

`docs/explanation/make_distortion_table.py` writes `_distortion_table` with it. The prior is
judgement, not measurement ("common practice, no source"): a firm that knows better calibrates
with its own `NeighbourPrior`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.cross_section import CrossSection
from asfound.em.receiver import CoilPair, receiver_display

FloatArray = npt.NDArray[np.float64]

PINPOINTING_FLOOR = 0.015
PINPOINTING_PER_DEPTH = 0.02
"""A mark is set with sd sqrt(floor² + (share depth)²); common practice, no source."""

DEPTH_NODES = np.array([0.4, 0.7, 1.1, 1.6, 2.3, 3.2])
"""Displayed depth [m]."""
SEPARATION_NODES = np.array([0.0, 0.05, 0.1, 0.2, 0.3, 0.5])
"""Peak/null separation as a share of the displayed depth."""


@dataclass(frozen=True)
class NeighbourPrior:
    """How often a shot has a neighbour that carries current, and which.

    Parameters
    ----------
    weak_share, strong_share : float
        Shares of shots with a neighbour that carries stray current, and with one that carries
        much of the signal. The rest has none.
    weak_ratio_sd : float
        A weak neighbour's current over the target's: normal about 0, cut at `largest_ratio`.
    largest_ratio : float
        A strong neighbour's ratio is uniform between minus this and this.
    nearest, farthest : float
        Its offset to either side is uniform between these [m].
    shallowest, deepest : float
        The target's depth is log-uniform between these [m].
    depth_spread : float
        The neighbour's depth is log-normal about the target's, with this sd of the logarithm,
        cut at the same limits: lines of one street lie at similar depths.
    """

    weak_share: float = 0.38
    strong_share: float = 0.02
    weak_ratio_sd: float = 0.10
    largest_ratio: float = 0.8
    nearest: float = 0.3
    farthest: float = 3.0
    shallowest: float = 0.3
    deepest: float = 3.0
    depth_spread: float = 0.35


OWN_SIGNAL = NeighbourPrior()
"""Direct connection, clamp: the signal is put on the target."""
SPREAD_SIGNAL = replace(OWN_SIGNAL, weak_share=0.50, strong_share=0.08)
"""Induction, which also feeds the neighbours; and hook-ups not recorded."""
FOREIGN_SIGNAL = replace(OWN_SIGNAL, weak_share=0.50, strong_share=0.20)
"""Power or radio listened to: any line may carry it."""
PRIORS = (OWN_SIGNAL, SPREAD_SIGNAL, FOREIGN_SIGNAL)


class NeighbourDraws(NamedTuple):
    """n drawn shots: arrays (n,).

    `depth` of the target; `offset`, `neighbour_depth` [m] and `ratio` (0: no neighbour) of the
    neighbour.
    """

    depth: FloatArray
    offset: FloatArray
    neighbour_depth: FloatArray
    ratio: FloatArray


class ShownErrors(NamedTuple):
    """What the receiver shows over drawn shots, and how wrong it is: arrays (n,).

    Parameters
    ----------
    depth : float64
        Shown [m]; NaN where none is shown or where the field under the peak is the neighbour's
        (then the wrong line was followed, which no error budget covers).
    separation : float64
        Peak to null, unsigned, free of noise [m].
    horizontal_error, depth_error : float64
        Peak minus the target's position, signed to the neighbour's side; shown minus true [m].
    """

    depth: FloatArray
    separation: FloatArray
    horizontal_error: FloatArray
    depth_error: FloatArray


class DistortionTable(NamedTuple):
    """Root mean square errors as shares of the shown depth.

    Parameters
    ----------
    horizontal, depth : (6, 7) float64
        By `DEPTH_NODES` and `SEPARATION_NODES`; the last column is for shots whose separation
        was not recorded.
    """

    horizontal: FloatArray
    depth: FloatArray


def pinpointing_sd(depth: FloatArray) -> FloatArray:
    """How well a peak or null is marked [m], by depth [m] (n,); common practice, no source."""
    return np.hypot(PINPOINTING_FLOOR, PINPOINTING_PER_DEPTH * depth)


def draw_neighbours(prior: NeighbourPrior, count: int, rng: np.random.Generator) -> NeighbourDraws:
    """Shots drawn from the prior.

    Parameters
    ----------
    prior : NeighbourPrior
    count : int
    rng : numpy Generator

    Returns
    -------
    NeighbourDraws
    """
    depth = np.exp(rng.uniform(np.log(prior.shallowest), np.log(prior.deepest), count))
    return draw_neighbours_beside(prior, depth, rng)


def draw_neighbours_beside(
    prior: NeighbourPrior, depth: FloatArray, rng: np.random.Generator
) -> NeighbourDraws:
    """Neighbours drawn for targets of given depths (n,) [m]."""
    count = len(depth)
    offset = rng.uniform(prior.nearest, prior.farthest, count) * rng.choice([-1.0, 1.0], count)
    beside = depth * np.exp(rng.normal(0.0, prior.depth_spread, count))
    kind = rng.uniform(size=count)
    weak = _weak_ratio(prior, count, rng)
    strong = rng.uniform(-prior.largest_ratio, prior.largest_ratio, count)
    ratio = np.where(kind < prior.strong_share, strong, weak)
    ratio = np.where(kind < prior.strong_share + prior.weak_share, ratio, 0.0)
    return NeighbourDraws(depth, offset, np.clip(beside, prior.shallowest, prior.deepest), ratio)


def shown_errors(draws: NeighbourDraws, coils: CoilPair | None = None) -> ShownErrors:
    """What a receiver shows over each drawn shot, against the truth.

    Parameters
    ----------
    draws : NeighbourDraws
        n shots.
    coils : CoilPair, optional

    Returns
    -------
    ShownErrors
        The technician is taken to mark the peak nearest to the target, within 1.5 depths.
    """
    coils = CoilPair() if coils is None else coils
    zero, one = np.zeros_like(draws.depth), np.ones_like(draws.depth)
    section = CrossSection(
        np.stack([zero, draws.offset], axis=1),
        np.stack([draws.depth, draws.neighbour_depth], axis=1),
        np.stack([one, draws.ratio], axis=1),
    )
    target = draws.depth + coils.bottom_height
    beside = draws.neighbour_depth + coils.bottom_height
    shown = receiver_display(section, coils, reach=1.5 * target)
    own = target / (target**2 + shown.peak**2)
    other = np.abs(draws.ratio) * beside / (beside**2 + (shown.peak - draws.offset) ** 2)
    depth = np.where(own > other, shown.depth, np.nan)
    return ShownErrors(
        depth,
        np.abs(shown.separation),
        np.sign(draws.offset) * shown.peak,
        depth - draws.depth,
    )


def calibrate_distortion(
    priors: tuple[NeighbourPrior, ...] = PRIORS, count: int = 300_000, seed: int = 1
) -> tuple[DistortionTable, ...]:
    """Tables of root mean square distortion for priors that differ in their shares only.

    Parameters
    ----------
    priors : tuple of NeighbourPrior
        The first one's neighbours are drawn; the others weigh them by their own shares.
    count : int
        Draws of each kind of neighbour.
    seed : int

    Returns
    -------
    tuple of DistortionTable
        One for each prior. The standard error is about 1 % of the entries at 300 000 draws.

    Notes
    -----
    A recorded separation is the distance of two marks, each with `pinpointing_sd`. Each draw
    counts at the nodes about it by bilinear weights. Errors are taken about zero, bias included.
    """
    rng = np.random.default_rng(seed)
    none = replace(priors[0], weak_share=0.0, strong_share=0.0)
    moments = []
    for kind in (
        none,
        replace(none, weak_share=1.0),
        replace(none, strong_share=1.0),
    ):
        draws = draw_neighbours(kind, count, rng)
        moments.append(_moments(shown_errors(draws), rng))
    return tuple(
        _table(
            moments,
            (1.0 - prior.weak_share - prior.strong_share, prior.weak_share, prior.strong_share),
        )
        for prior in priors
    )


def _weak_ratio(prior: NeighbourPrior, count: int, rng: np.random.Generator) -> FloatArray:
    ratio = rng.normal(0.0, prior.weak_ratio_sd, count)
    return np.clip(ratio, -prior.largest_ratio, prior.largest_ratio)


def _moments(errors: ShownErrors, rng: np.random.Generator) -> FloatArray:
    """Weight, horizontal and depth squares at each node: (3, 6, 7), per draw."""
    good = np.isfinite(errors.depth) & np.isfinite(errors.separation)
    depth = errors.depth[good]
    noise = np.sqrt(2.0) * pinpointing_sd(depth) * rng.standard_normal(len(depth))
    separation = np.abs(errors.separation[good] + noise) / depth
    # Far outside of the nodes a draw would only blur the outermost one.
    inside = (depth > 0.7 * DEPTH_NODES[0]) & (depth < 1.3 * DEPTH_NODES[-1])
    squares = np.stack(
        [
            np.ones_like(depth),
            np.square(errors.horizontal_error[good] / depth),
            np.square(errors.depth_error[good] / depth),
        ]
    )[:, inside]
    rows, columns = len(DEPTH_NODES), len(SEPARATION_NODES)
    down, down_part = _place(np.log(depth[inside]), np.log(DEPTH_NODES))
    along, along_part = _place(separation[inside], SEPARATION_NODES)
    total = np.zeros((3, rows, columns + 1))
    for row, row_part in ((down, 1.0 - down_part), (down + 1, down_part)):
        for value, square in enumerate(squares):
            total[value, :, columns] += np.bincount(row, row_part * square, rows)
        for column, part in ((along, 1.0 - along_part), (along + 1, along_part)):
            cell = row * columns + column
            for value, square in enumerate(squares):
                flat = np.bincount(cell, row_part * part * square, rows * columns)
                total[value, :, :columns] += flat.reshape(rows, columns)
    return total / len(errors.depth)


def _place(value: FloatArray, nodes: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Node below each value and the share of the way to the next one."""
    index = np.interp(value, nodes, np.arange(len(nodes)))
    below = np.minimum(index.astype(np.intp), len(nodes) - 2)
    return below, index - below


def _table(moments: list[FloatArray], shares: tuple[float, ...]) -> DistortionTable:
    total = np.einsum("k,k...->...", np.array(shares), np.stack(moments))
    squares = total[1:] / total[0]
    # A larger separation never makes a shot better, though few deep shots with the largest ones
    # might say so.
    recorded = np.maximum.accumulate(squares[:, :, :-1], axis=2)
    horizontal, depth = np.sqrt(np.concatenate([recorded, squares[:, :, -1:]], axis=2))
    return DistortionTable(horizontal, depth)


def table_source(tables: tuple[DistortionTable, ...]) -> str:
    """The text of `_distortion_table.py`."""
    lines = [
        '"""Made by `_distortion_calibration`; do not edit. Shares of the shown depth.',
        "",
        "Rows: `DEPTH_NODES`; columns: `SEPARATION_NODES`, then: not recorded. One block",
        "for each of `PRIORS`: own, spread, foreign signal.",
        '"""',
        "",
        "import numpy as np",
    ]
    for name in DistortionTable._fields:
        lines += ["", f"{name.upper()} = np.array(", "    ["]
        for table in tables:
            lines.append("        [")
            for row in getattr(table, name):
                lines.append("            [" + ", ".join(f"{value:.4f}" for value in row) + "],")
            lines.append("        ],")
        lines += ["    ]", ")"]
    return "\n".join(lines) + "\n"

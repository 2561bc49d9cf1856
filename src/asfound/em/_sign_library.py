"""What signs of distortion go with which errors: layouts drawn from the prior, shown and judged."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._distortion_calibration import (
    OWN_SIGNAL,
    NeighbourDraws,
    NeighbourPrior,
    draw_neighbours,
)
from asfound.em._line_fields import LINE_FIELD_CONSTANT
from asfound.em.cross_section import CrossSection, section_field
from asfound.em.receiver import CoilPair, receiver_display
from asfound.em.sampled import width_of_readings

FloatArray = npt.NDArray[np.float64]

RAISED = 0.5
"""How far the receiver is lifted for the second depth [m]; common practice, no source."""
WIDTH_FRACTION = 0.5
_SCAN = np.linspace(-4.0, 4.0, 81)
_DRAWN = (0.1, 0.45, 0.45)
"""Shares of the draws with none, a weak and a strong neighbour; weights make the prior of them."""


class ShownSigns(NamedTuple):
    """What is shown over n drawn shots, free of noise: arrays (n,).

    Lengths in m, signed to the right; `field` is the lower coil's field over that of the target's
    current at 1 m; `reversed` where the arrow runs against the hook-up.
    """

    depth: FloatArray
    raised_depth: FloatArray
    separation: FloatArray
    width_difference: FloatArray
    width: FloatArray
    field: FloatArray
    reversed: npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class SignLibrary:
    """m drawn shots with what is shown over them and how wrong it is.

    Parameters
    ----------
    shown : ShownSigns
    weight : (m,) float64
        Of each draw under the prior, sum 1.
    neighbour, wrong_line : (m,) bool
        A neighbour carries current; the peak is the neighbour's own.
    horizontal_error, depth_error : (m,) float64
        Shown minus true [m].
    coils : CoilPair
    raised : float
        [m].
    """

    shown: ShownSigns
    weight: FloatArray
    neighbour: npt.NDArray[np.bool_]
    wrong_line: npt.NDArray[np.bool_]
    horizontal_error: FloatArray
    depth_error: FloatArray
    coils: CoilPair
    raised: float


def sign_library(
    prior: NeighbourPrior = OWN_SIGNAL,
    count: int = 40_000,
    seed: int = 1,
    *,
    coils: CoilPair | None = None,
    raised: float = RAISED,
) -> SignLibrary:
    """Draw layouts from a prior and work out what a receiver shows over each.

    Parameters
    ----------
    prior : NeighbourPrior
    count : int
        Draws; 40 000 take about two seconds.
    seed : int
    coils : CoilPair, optional
    raised : float
        Height by which the receiver is lifted for the second depth [m].

    Returns
    -------
    SignLibrary
    """
    coils = CoilPair() if coils is None else coils
    rng = np.random.default_rng(seed)
    none = replace(prior, weak_share=0.0, strong_share=0.0)
    kinds = (none, replace(none, weak_share=1.0), replace(none, strong_share=1.0))
    shares = (1.0 - prior.weak_share - prior.strong_share, prior.weak_share, prior.strong_share)
    sizes = [int(share * count) for share in _DRAWN]
    parts = [draw_neighbours(kind, size, rng) for kind, size in zip(kinds, sizes, strict=True)]
    draws = NeighbourDraws(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))
    weight = np.repeat([share / size for share, size in zip(shares, sizes, strict=True)], sizes)
    shown, wrong, peak = show_signs(draws, coils, raised)
    return SignLibrary(
        shown,
        weight,
        draws.ratio != 0.0,
        wrong,
        peak,
        shown.depth - draws.depth,
        coils,
        raised,
    )


def show_signs(
    draws: NeighbourDraws, coils: CoilPair, raised: float
) -> tuple[ShownSigns, npt.NDArray[np.bool_], FloatArray]:
    """What is shown over drawn shots; whether the peak is the neighbour's; where it stands.

    Parameters
    ----------
    draws : NeighbourDraws
        n shots.
    coils : CoilPair
    raised : float
        [m].

    Returns
    -------
    shown : ShownSigns
    wrong_line : (n,) bool
    peak : (n,) float64
        From the target [m].
    """
    zero, one = np.zeros_like(draws.depth), np.ones_like(draws.depth)
    section = CrossSection(
        np.stack([zero, draws.offset], axis=1),
        np.stack([draws.depth, draws.neighbour_depth], axis=1),
        np.stack([one, draws.ratio], axis=1),
    )
    target = draws.depth + coils.bottom_height
    beside = draws.neighbour_depth + coils.bottom_height
    low = receiver_display(section, coils, reach=1.5 * target)
    # The second depth is read over the same mark.
    high = receiver_display(
        section, coils, raised=raised, near=np.nan_to_num(low.peak), reach=1.5 * target
    )
    own = target / (target**2 + low.peak**2)
    other = draws.ratio * beside / (beside**2 + (low.peak - draws.offset) ** 2)
    scan = np.nan_to_num(low.peak)[:, np.newaxis] + target[:, np.newaxis] * _SCAN
    field = np.abs(section_field(section, scan, coils.bottom_height)[0])
    widths = width_of_readings(scan, field, WIDTH_FRACTION)
    at_peak = section_field(section, low.peak[:, np.newaxis], coils.bottom_height)[0][:, 0]
    shown = ShownSigns(
        low.depth,
        high.depth,
        low.separation,
        widths.left + widths.right - 2.0 * low.peak,
        widths.right - widths.left,
        np.abs(at_peak) / LINE_FIELD_CONSTANT,
        at_peak < 0.0,
    )
    return shown, np.abs(other) >= own, low.peak

"""Signs of distortion at one shot: each with a score, all together with what they imply.

Over one line alone peak and null agree, both half-widths are equal, the depth does not change
when the receiver is lifted, the current fits its neighbours along the line and flows away from
the hook-up. Each sign is scored by how many standard deviations of its noise it stands from that.
Then layouts drawn from the prior that would show the same are weighed (Bayes by importance), and
tell how wrong position and depth may be and in which direction.

A shot with no sign at all is not proof of a lone line: a neighbour with current the same way
hides from most of them.

>>> import numpy as np
>>> from asfound.em import sign_library
>>> library = sign_library(count=20_000)
>>> calm, odd = (ShotSigns(np.array([1.0]), separation=np.array([x])) for x in (0.01, 0.30))
>>> calm, odd = judge_signs(calm, library), judge_signs(odd, library)
>>> bool(odd.score.separation[0] > 5 > 2 > calm.score.separation[0])
True
>>> bool(odd.depth_sd[0] > 3 * calm.depth_sd[0] > 0)
True
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._distortion_calibration import pinpointing_sd
from asfound.em._sign_library import ShownSigns, SignLibrary
from asfound.em.depth_methods import RELATIVE_COIL_NOISE, two_coil_depth_sd
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]

CURRENT_SD = 0.05
"""Of a current reading against its neighbours along the line, relative; common practice."""
LEAST_DRAWS = 8.0
"""Fewer effective draws than this explain a shot too poorly to say how wrong it is."""
_WORST_SQUARE = 25.0
"""Signs further than this (a squared distance) from every drawn layout are not explained."""
_BLOCK = 64


@dataclass(frozen=True, eq=False)
class ShotSigns:
    """What was recorded at n shots; NaN (or None) where it was not.

    Parameters
    ----------
    depth : (n,) float64
        Shown with the receiver on the ground [m].
    separation : (n,) float64, optional
        Null minus peak, positive to the right; unsigned if `sided` is False [m].
    left_width, right_width : (n,) float64, optional
        From the peak to where the horizontal coil reads half of it [m].
    raised_depth : (n,) float64, optional
        Shown with the receiver lifted (by the library's `raised`), the lift taken off [m].
    current_ratio : (n,) float64, optional
        Current shown over the current expected from other shots along the line.
    reversed : (n,) bool, optional
        The current's arrow points back to the hook-up.
    sided : bool
        False where left and right were not kept apart.
    """

    depth: FloatArray
    separation: FloatArray | None = None
    left_width: FloatArray | None = None
    right_width: FloatArray | None = None
    raised_depth: FloatArray | None = None
    current_ratio: FloatArray | None = None
    reversed: npt.NDArray[np.bool_] | None = None
    sided: bool = True

    def __post_init__(self) -> None:
        count = len(self.depth)
        for field in fields(self)[:-1]:
            value = getattr(self, field.name)
            if value is not None and np.shape(value) != (count,):
                raise InputError(
                    f"{field.name} has shape {np.shape(value)}, the depths {(count,)}.",
                    where="signs of distortion",
                    remedy="Give one value a shot, NaN where it was not measured.",
                )


class SignScores(NamedTuple):
    """Sizes of the signs in standard deviations of their noise over a lone line: (n,) each.

    NaN where not recorded. `reversed` is 0 or 1: no noise turns an arrow.
    """

    separation: FloatArray
    asymmetry: FloatArray
    height_change: FloatArray
    current: FloatArray
    reversed: FloatArray


class JudgedSigns(NamedTuple):
    """What the signs of n shots imply: arrays (n,).

    Parameters
    ----------
    score : SignScores
    neighbour, wrong_line : float64
        Probability that a neighbour carries current, and that the peak is the neighbour's own.
    horizontal_bias, horizontal_sd : float64
        Of the peak minus the line, right positive, if it is the right line [m]. With unsided
        signs the bias is 0 and in the sd.
    depth_bias, depth_sd : float64
        Of the shown minus the true depth from neighbours alone [m]; coil noise comes on top.
    draws : float64
        Effective number of drawn layouts behind these.
    explained : bool
        False where too few drawn layouts show such signs; the figures are then NaN: sweep it.
    """

    score: SignScores
    neighbour: FloatArray
    wrong_line: FloatArray
    horizontal_bias: FloatArray
    horizontal_sd: FloatArray
    depth_bias: FloatArray
    depth_sd: FloatArray
    draws: FloatArray
    explained: npt.NDArray[np.bool_]


def judge_signs(
    signs: ShotSigns,
    library: SignLibrary,
    *,
    relative_noise: float = RELATIVE_COIL_NOISE,
    current_sd: float = CURRENT_SD,
) -> JudgedSigns:
    """Score the signs of shots and say what they imply.

    Parameters
    ----------
    signs : ShotSigns
        n shots.
    library : SignLibrary
        From `sign_library`, for the prior of the hook-up; made once, used for many shots.
    relative_noise : float
        Of one coil's reading.
    current_sd : float
        Relative, of the current reading against its expectation.

    Returns
    -------
    JudgedSigns
        1000 shots against 40 000 draws take about 0.2 s.
    """
    coils, height = library.coils, library.coils.bottom_height
    depth = np.asarray(signs.depth, dtype=np.float64)
    mark = pinpointing_sd(depth)
    noise = two_coil_depth_sd(depth, coils.separation, height, relative_noise)
    high_noise = two_coil_depth_sd(depth, coils.separation, height + library.raised, relative_noise)
    separation, raised = _given(signs.separation, depth), _given(signs.raised_depth, depth)
    left, right = _given(signs.left_width, depth), _given(signs.right_width, depth)
    difference, ratio = right - left, _given(signs.current_ratio, depth)
    # Shown current is field times distance, so its field does not share the depth's noise.
    field = ratio / (depth + height)
    reversed_ = (
        np.full(depth.shape, np.nan) if signs.reversed is None else signs.reversed.astype(float)
    )
    score = SignScores(
        np.abs(separation) / (np.sqrt(2.0) * mark),
        np.abs(difference) / (np.sqrt(6.0) * mark),
        np.abs(raised - depth) / np.hypot(noise, high_noise),
        np.abs(ratio - 1.0) / np.hypot(current_sd, noise / (depth + height)),
        reversed_,
    )
    observed = _Observed(
        depth, noise, raised, high_noise, separation, difference, mark, field, reversed_
    )
    field_noise = float(np.hypot(current_sd, relative_noise))
    figures = _weigh_in_blocks(observed, library, field_noise, sided=signs.sided)
    draws = figures.pop()
    explained = draws >= LEAST_DRAWS
    neighbour, wrong, *errors = (np.where(explained, figure, np.nan) for figure in figures)
    # The field of the line that carries the signal always points away from the hook-up.
    wrong = np.where(reversed_ == 1.0, 1.0, wrong)
    return JudgedSigns(
        score, neighbour, wrong, errors[0], errors[1], errors[2], errors[3], draws, explained
    )


class _Observed(NamedTuple):
    depth: FloatArray
    noise: FloatArray
    raised: FloatArray
    high_noise: FloatArray
    separation: FloatArray
    difference: FloatArray
    mark: FloatArray
    field: FloatArray
    reversed: FloatArray


def _weigh_in_blocks(
    observed: _Observed, library: SignLibrary, field_noise: float, *, sided: bool
) -> list[FloatArray]:
    """Six figures and the effective draws, (n,) each.

    Only draws whose shown depth comes near can explain a shot, so shots of like depth go together
    against the draws about them.
    """
    order = np.argsort(library.shown.depth)
    drawn_depth = library.shown.depth[order]
    figures = np.zeros((7, len(observed.depth)))
    shots = np.argsort(observed.depth)
    for start in range(0, len(shots), _BLOCK):
        rows = shots[start : start + _BLOCK]
        part = _Observed._make(column[rows] for column in observed)
        reach = np.sqrt(_WORST_SQUARE) * part.noise
        known = np.isfinite(reach)
        if not known.any():
            break
        low, high = (part.depth - reach)[known].min(), (part.depth + reach)[known].max()
        near = order[np.searchsorted(drawn_depth, low) : np.searchsorted(drawn_depth, high)]
        if len(near):
            figures[:, rows] = _weigh(part, library, near, field_noise, sided=sided)
    return list(figures)


def _given(value: FloatArray | None, depth: FloatArray) -> FloatArray:
    if value is None:
        return np.full(depth.shape, np.nan)
    return np.asarray(value, dtype=np.float64)


def _weigh(
    observed: _Observed,
    library: SignLibrary,
    near: npt.NDArray[np.intp],
    field_noise: float,
    *,
    sided: bool,
) -> FloatArray:
    """Six figures and the effective draws of some shots (7, n), by the draws `near` (m,)."""
    shown = ShownSigns._make(column[near] for column in library.shown)
    square = np.zeros((len(observed.depth), len(near)))

    def compare(seen: FloatArray, drawn: FloatArray, sd: FloatArray) -> None:
        if np.isnan(seen).all():
            return
        apart = np.square((seen[:, np.newaxis] - drawn) / sd[:, np.newaxis])
        # A draw that shows none where something was seen does not explain it.
        apart = np.where(np.isnan(drawn), np.inf, apart)
        np.add(square, np.where(np.isnan(seen)[:, np.newaxis], 0.0, apart), out=square)

    compare(observed.depth, shown.depth, observed.noise)
    compare(observed.raised, shown.raised_depth, observed.high_noise)
    mark = observed.mark
    drawn_field = np.log(np.maximum(shown.field, 1e-300))
    with np.errstate(divide="ignore", invalid="ignore"):
        seen_field = np.where(observed.field > 0.0, np.log(observed.field), np.nan)
    compare(seen_field, drawn_field, np.full(mark.shape, field_noise))
    if sided:
        # Peak mark's noise is shared: separation has sd sqrt2 m, difference minus separation 2 m.
        both = np.isfinite(observed.separation) & np.isfinite(observed.difference)
        rest = np.where(both, observed.difference - observed.separation, np.nan)
        alone = np.where(both, np.nan, observed.difference)
        compare(observed.separation, shown.separation, np.sqrt(2.0) * mark)
        compare(rest, shown.width_difference - shown.separation, 2.0 * mark)
        compare(alone, shown.width_difference, np.sqrt(6.0) * mark)
    else:
        compare(np.abs(observed.separation), np.abs(shown.separation), np.sqrt(2.0) * mark)
        compare(np.abs(observed.difference), np.abs(shown.width_difference), np.sqrt(6.0) * mark)
    arrow = observed.reversed[:, np.newaxis]
    square[~np.isnan(arrow) & (arrow != shown.reversed)] = np.inf
    square[np.isnan(observed.depth)] = np.inf
    nearest = square.min(axis=1)
    nearest = np.where(nearest <= _WORST_SQUARE, nearest, np.nan)
    with np.errstate(invalid="ignore"):
        weight = library.weight[near] * np.exp(-0.5 * (square - nearest[:, np.newaxis]))
    weight = np.nan_to_num(weight)
    right_line = weight * ~library.wrong_line[near]
    with np.errstate(divide="ignore", invalid="ignore"):
        total, right = weight.sum(axis=1), right_line.sum(axis=1)
        figures = [weight @ library.neighbour[near].astype(float) / total, 1.0 - right / total]
        for error, has_side in (
            (np.nan_to_num(library.horizontal_error[near]), sided),
            (np.nan_to_num(library.depth_error[near]), True),
        ):
            mean_square = right_line @ np.square(error) / right
            # Without sides every drawn layout stands for its mirror image too.
            bias = right_line @ error / right if has_side else np.where(right > 0.0, 0.0, np.nan)
            figures += [bias, np.sqrt(np.maximum(mean_square - bias**2, 0.0))]
        draws = np.where(total > 0.0, total**2 / np.square(weight).sum(axis=1), 0.0)
    return np.stack([*figures, draws])

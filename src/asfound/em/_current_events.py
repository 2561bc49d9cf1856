"""What changes along a line's current: where, how much, how sure, and of what kind."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._change_points import Cut, IndexArray, Sums, fit_cut, fit_pieces
from asfound.em._current_cuts import Pieces

FloatArray = npt.NDArray[np.float64]

JUMP = 0.3
"""A jump aside smaller than this is no sign of another line [m]; common practice, no source."""
SURE = 3.0
"""Standard deviations by which a step, a change of decay or a jump must stand out to name it."""
TEE_REACH = 2.0
"""A drop this near to a known tee is the tee's [m]."""
_ASIDE_READINGS = 4


class EventKind(IntEnum):
    """What a change of the current may mean."""

    UNCLEAR = 0
    BRANCH = 1
    FAULT = 2
    SWAP = 3

    @property
    def word(self) -> str:
        return self.name.lower()


@dataclass(frozen=True, eq=False)
class Events:
    """Changes found along lines: arrays (e,), in order of line, then away from the feed.

    Parameters
    ----------
    line : int64
        Line code, as given.
    station, station_sd : float64
        [m].
    ratio, ratio_sd : float64
        Current just after over just before, away from the feed.
    decay_before, decay_after : float64
        [1/m], positive where the current falls away from the feed.
    jump, jump_sd : float64
        Sideways move of the shots across the event [m]; NaN without offsets.
    confidence : float64
        Probability that the current changes here at all, by the Bayes information criterion,
        summed over the places where it may.
    kind : int8
        `EventKind` codes.
    """

    line: npt.NDArray[np.int64]
    station: FloatArray
    station_sd: FloatArray
    ratio: FloatArray
    ratio_sd: FloatArray
    decay_before: FloatArray
    decay_after: FloatArray
    jump: FloatArray
    jump_sd: FloatArray
    confidence: FloatArray
    kind: npt.NDArray[np.int8]


class Series(NamedTuple):
    """L lines of up to m readings, in order away from the feed: arrays (L, m) unless said.

    `x` scaled place; `weight` True where used; `offset` [m]; (L,): `noise` of the logarithm,
    station = `middle` + `direction` `length` x, line `code`.
    """

    x: FloatArray
    weight: npt.NDArray[np.bool_]
    offset: FloatArray
    noise: FloatArray
    middle: FloatArray
    length: FloatArray
    direction: FloatArray
    code: npt.NDArray[np.int64]


def find_events(
    series: Series,
    pieces: Pieces,
    tees: tuple[npt.NDArray[np.int64], FloatArray] | None,
) -> Events:
    """Place, size, confidence and kind of every change between two pieces.

    Parameters
    ----------
    series : Series
    pieces : Pieces
        Their best cut.
    tees : tuple of line codes and stations (t,), optional
        Known tees.

    Returns
    -------
    Events
    """
    sums, cut, slope = pieces.sums, pieces.cut, pieces.slope
    inner = np.flatnonzero(cut.row[1:] == cut.row[:-1])
    row = cut.row[inner]
    left, middle, right = cut.begin[inner], cut.begin[inner + 1], cut.end[inner + 1]
    place, place_sd, confidence = _where(series, pieces, Cut(row, left, right))
    noise, length = series.noise[row], series.length[row]
    sides = []
    for begin, end in ((left, middle), (middle, right)):
        fit = fit_cut(sums, Cut(row, begin, end), slope, pieces.slope_penalty)
        away = place - fit.mean_x
        with np.errstate(divide="ignore", invalid="ignore"):
            slope_variance = np.where(fit.own, 1.0 / fit.spread, 1.0 / pieces.slope_spread[row])
        sides.append((fit, fit.mean_y + fit.slope * away, 1.0 / fit.n, away, slope_variance))
    (before, level_a, var_a, away_a, slope_var_a) = sides[0]
    (after, level_b, var_b, away_b, slope_var_b) = sides[1]
    both_common = ~before.own & ~after.own
    variance = (
        var_a
        + var_b
        + np.where(
            both_common,
            # A common slope's error moves both levels, by the difference of the two distances.
            slope_var_a * np.square(away_b - away_a),
            slope_var_a * away_a**2 + slope_var_b * away_b**2,
        )
    )
    # Where the decay changes, the step depends on the place it is taken at.
    variance = variance + np.square((after.slope - before.slope) * place_sd)
    step, step_sd = noise * (level_b - level_a), noise * np.sqrt(variance)
    decay_a, decay_b = (-noise * fit.slope / length for fit in (before, after))
    with np.errstate(divide="ignore", invalid="ignore"):
        steeper = (before.slope - after.slope) / np.sqrt(slope_var_a + slope_var_b)
    steeper = np.where(both_common, 0.0, np.nan_to_num(steeper))
    jump, jump_sd = _aside(series, row, left, middle, right)
    station = series.middle[row] + series.direction[row] * length * place
    station_sd = length * place_sd
    kind = _kinds(
        step,
        step_sd,
        steeper,
        jump,
        jump_sd,
        _near_tee(station, station_sd, series.code[row], tees),
    )
    ratio = np.exp(step)
    return Events(
        series.code[row],
        station,
        station_sd,
        ratio,
        ratio * step_sd,
        decay_a,
        decay_b,
        jump,
        jump_sd,
        confidence,
        kind,
    )


def join_events(parts: list[Events]) -> Events:
    """Events of several batches, in order of line and as they came within it."""
    if not parts:
        none = np.empty(0)
        code, kind = np.empty(0, np.int64), np.empty(0, np.int8)
        return Events(code, none, none, none, none, none, none, none, none, none, kind)
    columns = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in Events.__dataclass_fields__
    }
    order = np.argsort(columns["line"], kind="stable")
    return Events(**{name: column[order] for name, column in columns.items()})


def _where(series: Series, pieces: Pieces, span: Cut) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean and sd of each event's place, and how probable a change is within its span."""
    row, count, sums = span.row, series.x.shape[1], pieces.sums
    place, spread = np.empty(len(row)), np.empty(len(row))
    confidence = np.empty(len(row))
    chunk = max(1, 400_000 // (count + 1))
    # Readings to either side of a cut before reading t: the last one with weight, and the next.
    before = _last_weighted(series.x, series.weight)
    after = -_last_weighted(-series.x[:, ::-1], series.weight[:, ::-1])[:, ::-1]
    for start in range(0, len(row), chunk):
        part = slice(start, start + chunk)
        r, a, c = row[part], span.begin[part], span.end[part]
        inner = sums.at(r, slice(None))
        slope, price = pieces.slope[r], pieces.slope_penalty[r]
        slope_column, price_column = slope[:, np.newaxis], price[:, np.newaxis]
        low, high = (sums.at(r, edge) for edge in (a, c))
        low2, high2 = (Sums._make(v[:, np.newaxis] for v in edge) for edge in (low, high))
        left = fit_pieces(inner.between(low2), slope_column, price_column)
        right = fit_pieces(high2.between(inner), slope_column, price_column)
        whole = fit_pieces(high.between(low), slope, price)
        columns = np.arange(count + 1)
        inside = (columns > a[:, np.newaxis]) & (columns < c[:, np.newaxis])
        # A cut right after an unweighted reading repeats the one before it.
        inside[:, 1:] &= series.weight[r]
        cut_left = np.pad(before[r], ((0, 0), (1, 0)))
        cut_right = np.pad(after[r], ((0, 0), (0, 1)))
        inside &= np.isfinite(cut_left) & np.isfinite(cut_right)
        cost = np.where(inside, left.cost + right.cost, np.inf)
        best = cost.min(axis=1, keepdims=True)
        share = np.exp(-0.5 * (cost - best))
        total = share.sum(axis=1)
        cut_left, cut_right = (np.where(inside, edge, 0.0) for edge in (cut_left, cut_right))
        middle, gap = 0.5 * (cut_left + cut_right), cut_right - cut_left
        place[part] = (share * middle).sum(axis=1) / total
        square = np.square(middle - place[part][:, np.newaxis]) + gap**2 / 12.0
        spread[part] = np.sqrt((share * square).sum(axis=1) / total)
        gain = whole.cost - (best[:, 0] - 2.0 * np.log(total)) - pieces.penalty[r]
        confidence[part] = 1.0 / (1.0 + np.exp(-0.5 * np.clip(gain, -60.0, 60.0)))
    return place, spread, confidence


def _last_weighted(x: FloatArray, weight: npt.NDArray[np.bool_]) -> FloatArray:
    """Place of the last weighted reading up to each one (L, m)."""
    return np.maximum.accumulate(np.where(weight, x, -np.inf), axis=1)


def _aside(
    series: Series, row: IndexArray, left: IndexArray, middle: IndexArray, right: IndexArray
) -> tuple[FloatArray, FloatArray]:
    """Sideways jump across each event and its sd, from up to four shots to either side."""
    means, variances = [], []
    for side in (-1, 1):
        steps = np.arange(_ASIDE_READINGS) if side > 0 else -1 - np.arange(_ASIDE_READINGS)
        column = middle[:, np.newaxis] + steps
        inside = (column >= left[:, np.newaxis]) & (column < right[:, np.newaxis])
        column = np.clip(column, 0, series.x.shape[1] - 1)
        value = series.offset[row[:, np.newaxis], column]
        good = inside & np.isfinite(value) & (series.weight[row[:, np.newaxis], column])
        n = good.sum(axis=1)
        value = np.where(good, value, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = value.sum(axis=1) / n
            scatter = (np.where(good, value - mean[:, np.newaxis], 0.0) ** 2).sum(axis=1)
            # Two shots may agree by chance: never below 5 cm a shot.
            variance = np.maximum(scatter / np.maximum(n - 1, 1), 0.05**2) / n
        means.append(mean)
        variances.append(variance)
    jump = series.direction[row] * (means[1] - means[0])
    return jump, np.sqrt(variances[0] + variances[1])


def _near_tee(
    station: FloatArray,
    station_sd: FloatArray,
    code: npt.NDArray[np.int64],
    tees: tuple[npt.NDArray[np.int64], FloatArray] | None,
) -> npt.NDArray[np.bool_] | None:
    """Whether a known tee stands near each event; None if no tees are known at all."""
    if tees is None:
        return None
    near = np.zeros(len(station), dtype=bool)
    reach = TEE_REACH + SURE * station_sd
    for tee_code, tee_station in zip(*tees, strict=True):
        near |= (code == tee_code) & (np.abs(station - tee_station) <= reach)
    return near


def _kinds(
    step: FloatArray,
    step_sd: FloatArray,
    steeper: FloatArray,
    jump: FloatArray,
    jump_sd: FloatArray,
    near_tee: npt.NDArray[np.bool_] | None,
) -> npt.NDArray[np.int8]:
    down, up = step < -SURE * step_sd, step > SURE * step_sd
    known = np.isfinite(jump)
    aside = known & (np.abs(jump) >= JUMP) & (np.abs(jump) >= SURE * jump_sd)
    worse = steeper > SURE
    same = np.abs(steeper) <= SURE
    branch, fault = down & same, worse & ~up
    if near_tee is not None:
        branch, fault = down & near_tee, (fault | (down & same)) & ~near_tee
    kind = np.full(len(step), EventKind.UNCLEAR, dtype=np.int8)
    kind[branch] = EventKind.BRANCH
    kind[fault] = EventKind.FAULT
    kind[aside | (up & ~known)] = EventKind.SWAP
    return kind

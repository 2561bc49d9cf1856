"""Lines after exposures: axes, envelopes, verdicts, shared errors, and how wrong the locate was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve

from asfound.alignment import Refits
from asfound.clearance._known import PORTION, known_lines, refits_of
from asfound.clearance._placed import Placed, place_exposures
from asfound.clearance.belief import Belief
from asfound.clearance.surface import surface_from_ground
from asfound.model import (
    Exposure,
    ExposureUpdate,
    Line,
    LinesBefore,
    RecordLine,
    Results,
    SharedBias,
    Terrain,
    Verdict,
)

Floats = npt.NDArray[np.float64]

NEAR_EXPOSURE = 10.0


def apply_exposures(
    results: Results,
    exposures: Sequence[Exposure],
    *,
    surface: Terrain | None = None,
    records: Sequence[RecordLine] = (),
    refits: Refits | None = None,
) -> ExposureUpdate:
    """Update a job's lines and verdicts by what was exposed.

    Parameters
    ----------
    results : Results
    exposures : sequence of Exposure
        Of located lines, or of `records`: those are compared, nothing else changes by them.
    surface : Terrain, optional
        For exposures without a ground height; by default the ground of the shots.
    records : sequence of RecordLine
        Lines that nobody located.
    refits : Refits, optional
        Of these results, to be shared between calls.

    Raises
    ------
    InputError
        If an exposure can't be put on a line.
    """
    ground = surface or surface_from_ground(results.ground)
    before = LinesBefore(results.lines, results.line_verdict, results.verdict)
    if not exposures:
        return ExposureUpdate(before.lines, before.line_verdict, before.verdict, (), (), before)
    known = known_lines(results.lines, records, ground)
    placed = place_exposures(exposures, known, refits or refits_of(results), ground)
    lines = tuple(_updated(line, k, placed) for k, line in enumerate(results.lines))
    line_verdict, verdict = results.line_verdict.copy(), results.verdict.copy()
    for comparison in placed.comparisons:
        k = comparison.line_index
        if not comparison.contradicted or k >= len(results.lines):
            continue
        line_verdict[k] = max(int(line_verdict[k]), int(Verdict.DOUBTFUL))
        line = results.lines[k]
        close = line.shots[np.abs(line.station - comparison.station) <= NEAR_EXPOSURE]
        verdict[close] = np.maximum(verdict[close], np.int8(Verdict.DOUBTFUL))
    return ExposureUpdate(lines, line_verdict, verdict, placed.comparisons, _shared(placed), before)


def _updated(line: Line, index: int, placed: Placed) -> Line:
    known = placed.known[index]
    size = known.outside_diameter if known.diameter_basis == "known" else line.outside_diameter
    terms = {(s.term, s.group) for p in placed.posteriors.values() for s in p.shared}
    first = placed.belief({index: line.axis_station[:1]}) if len(terms) else None
    own = index in placed.posteriors
    touched = own or (
        first is not None
        and any((s.term, s.group) in terms for s in first.posteriors[index].shared)
    )
    if not touched:
        return line
    mean = np.empty((len(line.axis_station), 3))
    covariance = np.empty((len(mean), 3, 3))
    for low in range(0, len(mean), PORTION):
        station = line.axis_station[low : low + PORTION]
        belief = placed.belief({index: station}).about(index)
        part, full = belief.at(index, np.arange(len(station)))
        mean[low : low + PORTION] = part
        blocks = full.reshape(len(station), 3, len(station), 3)
        rows = np.arange(len(station))
        covariance[low : low + PORTION] = blocks[rows, :, rows, :]
    change = mean - known.axis
    height = mean[:, 2]
    if known.depth_basis != "located" and not own:
        height = line.height
    move = np.column_stack(
        [np.interp(line.station, line.axis_station, change[:, a]) for a in range(3)]
    )
    bearing = np.interp(line.station, line.axis_station, np.unwrap(line.bearing))
    sine, cosine = np.sin(bearing), np.cos(bearing)
    residual = line.residual - np.column_stack(
        (
            move[:, 0] * sine + move[:, 1] * cosine,
            move[:, 1] * sine - move[:, 0] * cosine,
            move[:, 2],
        )
    )
    return replace(
        line,
        easting=mean[:, 0],
        northing=mean[:, 1],
        height=height,
        covariance=covariance if np.isfinite(height).all() else _plan_only(covariance),
        residual=residual,
        outside_diameter=size,
    )


def _plan_only(covariance: Floats) -> Floats:
    plan = covariance.copy()
    plan[:, 2, :] = np.nan
    plan[:, :, 2] = np.nan
    return plan


def _shared(placed: Placed) -> tuple[SharedBias, ...]:
    """What the exposures say of each shared error in height."""
    belief = Belief(placed.posteriors, placed.seen.take(~placed.seen.doubted))
    if len(belief.seen) == 0:
        return ()
    factor = cho_factor(belief.seen_covariance)
    surprise = belief.surprise
    seen = belief.seen
    groups = dict.fromkeys((s.term, s.group) for p in placed.posteriors.values() for s in p.shared)
    found = []
    for term, group in groups:
        shift = np.zeros((len(seen), 2))
        lines = []
        for j in range(len(seen)):
            for shared in placed.posteriors[int(seen.line[j])].shared:
                if (shared.term, shared.group) == (term, group):
                    shift[j, 1] = shared.shift[seen.node[j], 2]
                    lines.append(int(seen.line[j]))
        size = float(np.sqrt(np.mean(shift[:, 1][shift[:, 1] != 0.0] ** 2))) if shift.any() else 0.0
        if size == 0.0:
            continue
        # the error in units of its own deviation is a standard normal number
        pull = cho_solve(factor, shift.ravel())
        mean, variance = float(pull @ surprise), 1.0 - float(pull @ shift.ravel())
        found.append(
            SharedBias(
                term, group, tuple(dict.fromkeys(lines)), size, mean * size,
                size * float(np.sqrt(max(variance, 0.0))),
            )
        )  # fmt: skip
    return tuple(found)

"""Segments of a line: how each stretch is known, and how well at its worst."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from asfound.budget import NORMAL_95, circular_factor, principal_axes
from asfound.errors import InputError
from asfound.model import Line, Segment

Floats = npt.NDArray[np.float64]

KNOWN_BY = ("exposed", "detected", "surface-features", "records", "assumed")
"""How a stretch is known, best first."""


def segments_of(
    line: Line,
    *,
    exposed: Sequence[tuple[str, float, float, float]] = (),
    gaps_known_by: str = "assumed",
) -> tuple[Segment, ...]:
    """Segments of a line in order of station; exposures are points within them.

    Parameters
    ----------
    line : Line
    exposed : sequence of (name, station, horizontal sd, vertical sd)
        Exposures on it; standard deviations per axis of the measurement [m].
    gaps_known_by : str
        How stretches without shots are known besides: ``'surface-features'``, ``'records'`` or
        ``'assumed'`` (nothing else is known).

    Raises
    ------
    InputError
        If an exposure lies off the line or `gaps_known_by` is none.
    """
    if gaps_known_by not in KNOWN_BY[2:]:
        raise InputError(
            f"a gap can't be known by '{gaps_known_by}'.",
            remedy=f"Use {', '.join(KNOWN_BY[2:])}.",
        )
    station = line.axis_station
    first, last = float(station[0]), float(station[-1])
    cuts = [first]
    kinds: list[str] = []
    for start, end in sorted(line.gaps.tolist()):
        start, end = max(start, cuts[-1]), min(end, last)
        if end <= start:
            continue
        if start > cuts[-1]:
            kinds.append("detected")
            cuts.append(start)
        kinds.append(gaps_known_by)
        cuts.append(end)
    if cuts[-1] < last:
        kinds.append("detected")
        cuts.append(last)
    found = [stretch_of(line, a, b, k) for a, b, k in zip(cuts, cuts[1:], kinds, strict=False)]
    depth = line.ground_height - line.height
    for name, place, horizontal_sd, vertical_sd in exposed:
        if not first - 1e-6 <= place <= last + 1e-6:
            raise InputError(
                f"exposure {name} at station {place:.2f} m lies off {line.name}.",
                remedy=f"The line runs from {first:.2f} to {last:.2f} m.",
            )
        found.append(
            Segment(
                line.name,
                place,
                place,
                "exposed",
                float(circular_factor(np.array(1.0))) * horizontal_sd,
                NORMAL_95 * vertical_sd,
                float(np.interp(place, station, depth)),
                name,
            )
        )
    return tuple(sorted(found, key=lambda item: (item.start, item.end)))


def stretch_of(line: Line, start: float, end: float, known_by: str) -> Segment:
    """A stretch of a line with its largest uncertainty and its least depth."""
    own = line.axis_station
    station = np.concatenate(([start], own[(own > start) & (own < end)], [end]))
    place = np.clip(np.searchsorted(own, station, side="right") - 1, 0, len(own) - 2)
    span = own[place + 1] - own[place]
    share = np.divide(station - own[place], span, out=np.zeros(len(station)), where=span > 0)
    share = np.clip(share, 0.0, 1.0)[:, None, None]
    covariance = (1.0 - share) * line.covariance[place] + share * line.covariance[place + 1]
    major, minor, _ = principal_axes(covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1])
    ratio = np.divide(minor, major, out=np.ones(len(major)), where=major > 0)
    depth = np.interp(station, own, line.ground_height - line.height)
    tall = bool(np.isfinite(depth).all())
    return Segment(
        line.name,
        start,
        end,
        known_by,
        float((major * circular_factor(ratio)).max()),
        float(NORMAL_95 * np.sqrt(covariance[:, 2, 2]).max()) if tall else float("nan"),
        float(depth.min()) if tall else float("nan"),
    )

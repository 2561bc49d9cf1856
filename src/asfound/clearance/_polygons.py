"""Pits as triangles."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from asfound.errors import InputError

Floats = npt.NDArray[np.float64]

LEAST_AREA = 0.001
"""Of a pit [m²]: corners in a row enclose next to nothing, but seldom nothing at all."""


def ring_of(easting: Floats, northing: Floats, where: str) -> Floats:
    """(k, 2) corners, counter-clockwise, open and without repeats.

    Raises
    ------
    InputError
        If the outline crosses itself or encloses nothing.
    """
    ring = np.column_stack((easting, northing)).astype(np.float64)
    if not np.isfinite(ring).all():
        raise InputError("a corner has no coordinates.", where=where, remedy="Give all corners.")
    if len(ring) > 1 and np.array_equal(ring[0], ring[-1]):
        ring = ring[:-1]
    if len(ring):
        ring = ring[np.any(ring != np.roll(ring, 1, axis=0), axis=1)]
    if len(ring) < 3:
        raise InputError(
            f"the pit has {len(ring)} different corners.",
            where=where,
            remedy="Give at least three corners, in order round the pit.",
        )
    polygon = shapely.Polygon(ring)
    if not polygon.is_valid:
        reason = shapely.is_valid_reason(polygon)
        raise InputError(
            f"the outline of the pit crosses or touches itself ({reason}).",
            where=where,
            remedy="List the corners in order round the pit; draw two pits as two digs.",
        )
    if shapely.Polygon(ring - ring[0]).area < LEAST_AREA:
        raise InputError(
            "the pit encloses no area.", where=where, remedy="Give corners that are not in a row."
        )
    return np.asarray(ring if polygon.exterior.is_ccw else ring[::-1])


def triangles_of(ring: Floats) -> Floats:
    """(k - 2, 3, 2) triangles that make up a simple counter-clockwise ring, by ear clipping."""
    local = ring - ring[0]
    left = list(range(len(ring)))
    found: list[tuple[int, int, int]] = []
    while len(left) > 3:
        for place in range(len(left)):
            a, b, c = left[place - 1], left[place], left[(place + 1) % len(left)]
            if _turn(local[a], local[b], local[c]) <= 0:
                continue
            rest = local[[i for i in left if i not in (a, b, c)]]
            if not _holds(local[a], local[b], local[c], rest):
                found.append((a, b, c))
                del left[place]
                break
        else:
            # corners in a row are no ears: they enclose nothing and can go
            flat = [
                abs(_turn(local[left[i - 1]], local[left[i]], local[left[(i + 1) % len(left)]]))
                for i in range(len(left))
            ]
            del left[int(np.argmin(flat))]
    found.append((left[0], left[1], left[2]))
    return np.asarray(ring[np.array(found)])


def _turn(a: Floats, b: Floats, c: Floats) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def _holds(a: Floats, b: Floats, c: Floats, points: Floats) -> bool:
    """Whether any point lies in the triangle or on its edges."""
    inside = np.ones(len(points), bool)
    for one, two in ((a, b), (b, c), (c, a)):
        edge = two - one
        inside &= edge[0] * (points[:, 1] - one[1]) - edge[1] * (points[:, 0] - one[0]) >= 0
    return bool(inside.any())

"""What a two-coil receiver shows over a line that is not alone.

Long straight conductors in a cross-section: of conductor j with current I_j at offset x_j and
depth z_j, a coil at offset u and height h sees I_j z / r2 (horizontal coil) and -I_j (u - x_j) / r2
(vertical coil), z = z_j + h, r2 = (u - x_j)2 + z2, in units of mu0 / 2 pi. Source: Biot-Savart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

LOWER_COIL = 0.05
COIL_SEPARATION = 0.4
_GRID = np.linspace(-1.2, 1.2, 97)


@dataclass(frozen=True, eq=False)
class Section:
    """Conductors across n lines; the first of each is the line itself, at offset 0.

    Parameters
    ----------
    offset, depth, current : (n, k) float64
        To the right of the line [m], below ground to the centre [m], signed [A].
    """

    offset: Floats
    depth: Floats
    current: Floats


@dataclass(frozen=True, eq=False)
class Display:
    """What the receiver shows, free of noise: (n,) arrays [m], [A]."""

    peak: Floats
    null: Floats


def fields(section: Section, place: Floats, height: float) -> tuple[Floats, Floats]:
    """Horizontal and vertical coil at (n, m) offsets and one height, in A/m over mu0 / 2 pi."""
    away = place[..., None] - section.offset[:, None, :]
    z = section.depth[:, None, :] + height
    per_square = section.current[:, None, :] / (away**2 + z**2)
    return (per_square * z).sum(axis=-1), (-per_square * away).sum(axis=-1)


def peak_and_null(section: Section) -> Display:
    """Offset of the peak of the horizontal coil nearest the line, and of the null nearest it."""
    z = section.depth[:, :1] + LOWER_COIL
    place = _GRID * z
    horizontal, vertical = fields(section, place, LOWER_COIL)
    strength = np.abs(horizontal)
    inner = strength[:, 1:-1]
    top = (inner >= strength[:, :-2]) & (inner >= strength[:, 2:])
    # The technician follows the line: of several peaks the one nearest to it.
    best = 1 + np.where(top, np.abs(_GRID[1:-1]), 9.0 - inner / inner.max()).argmin(axis=1)
    row = np.arange(len(best))
    below, here, above = (strength[row, best + k] for k in (-1, 0, 1))
    bend = below - 2 * here + above
    step = (_GRID[1] - _GRID[0]) * z[:, 0]
    peak = place[row, best] + 0.5 * (below - above) / np.where(bend == 0, -1, bend) * step
    change = np.signbit(vertical[:, :-1]) != np.signbit(vertical[:, 1:])
    middle = 0.5 * (place[:, :-1] + place[:, 1:])
    k = np.where(change, np.abs(middle - peak[:, None]), np.inf).argmin(axis=1)
    low, high = vertical[row, k], vertical[row, k + 1]
    null = place[row, k] + low / np.where(low == high, 1, low - high) * step
    return Display(peak, np.where(change.any(axis=1), null, np.nan))


def two_coil_depth(bottom: Floats, top: Floats) -> Floats:
    """Depth below ground from both horizontal coils [m]: s Bt / (Bb - Bt) - h."""
    return np.asarray(COIL_SEPARATION * top / (bottom - top) - LOWER_COIL)

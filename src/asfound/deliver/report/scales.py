"""Round scales, round steps, and how a job is cut into map sheets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# Common practice: decimal scales in metric work, inches to tens of feet in foot work.
_METRIC = (
    20,
    50,
    100,
    200,
    250,
    500,
    1000,
    2000,
    2500,
    5000,
    10_000,
    20_000,
    25_000,
    50_000,
    100_000,
    250_000,
    500_000,
    1_000_000,
    5_000_000,
    20_000_000,
)
_INCH_FEET = (
    24,
    60,
    120,
    240,
    360,
    480,
    600,
    1200,
    2400,
    3600,
    4800,
    6000,
    12_000,
    24_000,
    48_000,
    120_000,
    240_000,
    600_000,
    1_200_000,
    6_000_000,
    24_000_000,
)
DETAIL = {True: 250, False: 240}
MOST_SHEETS = 24


def scale_list(metric: bool) -> tuple[int, ...]:
    """Scale denominators, finest first."""
    return _METRIC if metric else _INCH_FEET


def scale_words(denominator: int, metric: bool) -> str:
    """``'1:250'`` or ``'1 in = 20 ft (1:240)'``."""
    if metric or denominator % 12:
        return f"1:{denominator}"
    return f"1 in = {denominator // 12} ft (1:{denominator})"


def round_step(least: float) -> float:
    """The least of 1, 2, 5 times a power of ten that is not below `least` (> 0)."""
    power = 10.0 ** np.floor(np.log10(least))
    for factor in (1.0, 2.0, 5.0, 10.0):
        if factor * power >= least * (1.0 - 1e-9):
            return float(factor * power)
    return float(10.0 * power)


def multiples(low: float, high: float, step: float) -> list[float]:
    """Multiples of a step within an interval."""
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    return [k * step for k in range(first, last + 1)]


@dataclass(frozen=True)
class Sheet:
    """One map: a window on the ground at a scale.

    Parameters
    ----------
    title : str
    west, south : float
        Lower left corner [m].
    width, height : float
        On paper [mm].
    denominator : int
        Scale.
    flipped : bool
        True for a page in landscape.
    """

    title: str
    west: float
    south: float
    width: float
    height: float
    denominator: int
    flipped: bool = False

    @property
    def metres_per_mm(self) -> float:
        return self.denominator / 1000.0

    @property
    def east(self) -> float:
        return self.west + self.width * self.metres_per_mm

    @property
    def north(self) -> float:
        return self.south + self.height * self.metres_per_mm

    def paper(self, points: Floats) -> Floats:
        """(..., 2) easting, northing [m] as x, y on paper [mm], y downward."""
        x = (points[..., 0] - self.west) / self.metres_per_mm
        y = self.height - (points[..., 1] - self.south) / self.metres_per_mm
        return np.stack([x, y], axis=-1)

    def holds(self, points: Floats, margin: float = 0.0) -> npt.NDArray[np.bool_]:
        """(...,) bool: which points lie in the window, widened by `margin` [m]."""
        e, n = points[..., 0], points[..., 1]
        return np.asarray(
            (e >= self.west - margin)
            & (e <= self.east + margin)
            & (n >= self.south - margin)
            & (n <= self.north + margin)
        )


def overview(extent: Floats, frames: dict[bool, tuple[float, float]], metric: bool) -> Sheet:
    """The whole job on one sheet, portrait or landscape, at the finest round scale that holds it.

    Parameters
    ----------
    extent : (2, 2) float64
        Lower left, upper right [m].
    frames : dict
        Width and height on paper [mm] for portrait (False) and landscape (True).
    metric : bool
    """
    size = np.maximum(extent[1] - extent[0], 1.0)
    best: tuple[int, bool] | None = None
    for flipped, (width, height) in frames.items():
        for denominator in scale_list(metric):
            if (size * 1000.0 <= np.array([width, height]) * 0.92 * denominator).all():
                if best is None or denominator < best[0]:
                    best = (denominator, flipped)
                break
    denominator, flipped = best or (scale_list(metric)[-1], False)
    width, height = frames[flipped]
    corner = extent.mean(axis=0) - np.array([width, height]) * denominator / 2000.0
    return Sheet(
        "Overview", float(corner[0]), float(corner[1]), width, height, denominator, flipped
    )


def details(
    whole: Sheet, points: Floats, frame: tuple[float, float], metric: bool
) -> tuple[Sheet, ...]:
    """Sheets at a scale one can read, where there is something; none if the overview will do.

    Parameters
    ----------
    whole : Sheet
    points : (n, 2) float64
        What is to be shown [m].
    frame : (width, height)
        On paper [mm].
    metric : bool
    """
    points = points[whole.holds(points)]
    for denominator in scale_list(metric):
        if denominator < DETAIL[metric]:
            continue
        if denominator >= whole.denominator or not len(points):
            return ()
        # Neighbouring sheets overlap by a twentieth, so that nothing hides in a seam.
        step = np.array(frame) * denominator / 1000.0
        low = points.min(axis=0)
        span = points.max(axis=0) - low
        count = np.maximum(np.ceil(span / (0.95 * step)), 1).astype(int)
        start = low - (count * 0.95 * step - span) / 2.0 - 0.025 * step
        cell = np.floor((points - start - 0.025 * step) / (0.95 * step)).astype(int)
        cell = np.clip(cell, 0, count - 1)
        used = sorted(
            {(-int(row), int(column)) for column, row in np.unique(cell, axis=0).tolist()}
        )
        if len(used) <= MOST_SHEETS:
            return tuple(
                Sheet(
                    f"Sheet {k}",
                    float(start[0] + column * 0.95 * step[0]),
                    float(start[1] - row * 0.95 * step[1]),
                    *frame,
                    denominator,
                )
                for k, (row, column) in enumerate(used, 1)
            )
    return ()

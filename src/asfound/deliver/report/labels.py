"""Where labels go: the first free place beside each point, or none."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import numpy.typing as npt


class LabelPlaces:
    """Rectangles already taken on a drawing, in cells so that a look-up is quick."""

    def __init__(self, width: float, height: float, cell: float = 6.0) -> None:
        self.width = width
        self.height = height
        self._cell = cell
        self._taken: dict[tuple[int, int], list[tuple[float, float, float, float]]] = defaultdict(
            list
        )

    def _cells(self, box: tuple[float, float, float, float]) -> list[tuple[int, int]]:
        x0, y0, x1, y1 = box
        return [
            (i, j)
            for i in range(int(x0 // self._cell), int(x1 // self._cell) + 1)
            for j in range(int(y0 // self._cell), int(y1 // self._cell) + 1)
        ]

    def free(self, box: tuple[float, float, float, float]) -> bool:
        """True if a box (x0, y0, x1, y1) is inside the drawing and touches nothing taken."""
        x0, y0, x1, y1 = box
        if x0 < 0 or y0 < 0 or x1 > self.width or y1 > self.height:
            return False
        return not any(
            x0 < b[2] and b[0] < x1 and y0 < b[3] and b[1] < y1
            for cell in self._cells(box)
            for b in self._taken.get(cell, ())
        )

    def take(self, box: tuple[float, float, float, float]) -> None:
        """Mark a box as taken."""
        for cell in self._cells(box):
            self._taken[cell].append(box)

    def take_along(self, path: npt.NDArray[np.float64]) -> None:
        """Mark small boxes along a polyline (k, 2) as taken: no label on a line."""
        step = np.hypot(*np.diff(path, axis=0).T)
        along = np.concatenate([[0.0], np.cumsum(step)])
        at = np.arange(0.0, float(along[-1]), 1.0)
        x, y = np.interp(at, along, path[:, 0]), np.interp(at, along, path[:, 1])
        inside = (x >= 0.0) & (x <= self.width) & (y >= 0.0) & (y <= self.height)
        for px, py in zip(x[inside].tolist(), y[inside].tolist(), strict=True):
            self.take((px - 0.2, py - 0.2, px + 0.2, py + 0.2))

    def place(
        self, x: float, y: float, width: float, height: float, distance: float
    ) -> tuple[float, float] | None:
        """Upper left corner of a free box near a point, which is then taken; None if there is none.

        Tried in a fixed order, right of the point first, then further out.
        """
        for reach in (distance, 2.2 * distance, 3.6 * distance):
            for corner in (
                (x + reach, y - height - 0.3 * reach),
                (x + reach, y + 0.3 * reach),
                (x - reach - width, y - height - 0.3 * reach),
                (x - reach - width, y + 0.3 * reach),
                (x - width / 2, y - reach - height),
                (x - width / 2, y + reach),
            ):
                box = (corner[0], corner[1], corner[0] + width, corner[1] + height)
                if self.free(box):
                    self.take(box)
                    return corner
        return None

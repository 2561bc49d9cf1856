"""Numbers as JSON knows them."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Json = dict[str, Any]


def number(value: float, decimals: int = 4) -> float | None:
    """A finite number, or null."""
    return round(float(value), decimals) + 0.0 if np.isfinite(value) else None


def numbers(values: npt.ArrayLike, decimals: int = 4) -> list[float | None]:
    """A list of finite numbers and nulls."""
    array = np.asarray(values, np.float64)
    rounded: list[float | None] = (np.round(array, decimals) + 0.0).tolist()
    for k in np.flatnonzero(~np.isfinite(array)).tolist():
        rounded[k] = None
    return rounded

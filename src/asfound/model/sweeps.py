"""Sweeps: readings along a cross-section of a line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.model.vocabulary import Method, Utility

HORIZONTAL_COIL = 0
VERTICAL_COIL = 1


@dataclass(frozen=True, eq=False)
class Sweep:
    """One sweep as received.

    Parameters
    ----------
    name, source : str, int
        Name in the upload; index of the upload.
    rows : (k,) int32
        Data rows of the upload the readings came from.
    position : (k,) float64
        Along the tape from its zero [m].
    coil_height : (k,) float64
        Coil above ground [m].
    coil : (k,) int8
        `HORIZONTAL_COIL` (axis along the tape) or `VERTICAL_COIL`.
    value : (k,) float64
        Reading in `unit`.
    saturated : (k,) bool
    unit : str
        ``'mA'``, ``'percent'``, ``'dB'`` or ``'nT'``. Percent and dB have an unknown gain.
    start, end : (3,) float64
        x, y, height (as in `Shots`, in the upload's frame) on the ground at the tape's zero and
        at `length`; NaN height if not recorded.
    length : float
        Tape reading at `end` [m].
    time : datetime64[us]
    utility, method : Utility, Method
    frequency : float
        [Hz].
    receiver, hookup, line : str
    """

    name: str
    source: int
    rows: npt.NDArray[np.int32]
    position: npt.NDArray[np.float64]
    coil_height: npt.NDArray[np.float64]
    coil: npt.NDArray[np.int8]
    value: npt.NDArray[np.float64]
    saturated: npt.NDArray[np.bool_]
    unit: str
    start: npt.NDArray[np.float64]
    end: npt.NDArray[np.float64]
    length: float
    time: np.datetime64
    utility: Utility = Utility.UNKNOWN
    method: Method = Method.UNKNOWN
    frequency: float = float("nan")
    receiver: str = ""
    hookup: str = ""
    line: str = ""

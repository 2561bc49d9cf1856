"""Times as decimal years, the form in which geodesy counts epochs."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_YEAR = np.timedelta64(1, "Y")


def decimal_year(time: npt.NDArray[np.datetime64]) -> npt.NDArray[np.float64]:
    """Decimal year of UTC times; NaN for NaT.

    Parameters
    ----------
    time : (n,) datetime64

    Returns
    -------
    year : (n,) float64
        Year plus the elapsed share of that year (365 or 366 days).
    """
    time = np.asarray(time, "datetime64[us]")
    year = time.astype("datetime64[Y]")
    start = year.astype("datetime64[us]")
    end = (year + _YEAR).astype("datetime64[us]")
    elapsed = (time - start) / np.timedelta64(1, "us")
    span = (end - start) / np.timedelta64(1, "us")
    whole = np.where(np.isnat(time), np.nan, year.astype(np.int64) + 1970.0)
    return np.asarray(whole + elapsed / span, np.float64)


def from_decimal_year(year: npt.NDArray[np.float64]) -> npt.NDArray[np.datetime64]:
    """UTC times of decimal years, within 0.1 ms (the grain of float64 years); NaT for NaN."""
    year = np.asarray(year, np.float64)
    known = np.isfinite(year)
    whole = np.floor(np.where(known, year, 1970.0)).astype(np.int64)
    start = (whole - 1970).astype("datetime64[Y]").astype("datetime64[us]")
    end = (whole - 1969).astype("datetime64[Y]").astype("datetime64[us]")
    share = np.where(known, year, 1970.0) - whole
    time = start + np.round(share * (end - start).astype(np.float64)).astype("timedelta64[us]")
    return np.where(known, time, np.datetime64("NaT", "us"))

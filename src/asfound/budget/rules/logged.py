"""What every upload's log holds: rows, times and receivers, counted once for all rules."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.budget.rules._log_kernels import survey_log
from asfound.model import Shots

Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Logged:
    """Counts by upload, each (uploads,).

    Parameters
    ----------
    rows, timed : int64
        Rows, and those with a time.
    latest : datetime64[us]
        Latest time, NaT where there is none.
    pairs, backward : int64
        Consecutive timed rows, and how many of those pairs go back by more than a second.
    receivers : (uploads, receivers + 1) bool
        Who logged; the first column is for rows that name no receiver.
    """

    rows: Integers
    timed: Integers
    latest: npt.NDArray[np.datetime64]
    pairs: Integers
    backward: Integers
    receivers: Flags


def survey(shots: Shots, uploads: int) -> Logged:
    """Count what the log holds."""
    rows, timed, latest, pairs, backward = (np.empty(uploads, np.int64) for _ in range(5))
    receivers = np.empty((uploads, len(shots.receiver.names) + 1), bool)
    order = np.empty(0, np.int64)
    for _ in range(2):
        in_order = survey_log(
            order,
            shots.source,
            shots.receiver.codes,
            shots.time.view(np.int64),
            shots.row,
            rows,
            timed,
            latest,
            pairs,
            backward,
            receivers.reshape(-1),
        )
        if in_order:
            break
        order = np.lexsort((shots.row, shots.source))
    return Logged(rows, timed, latest.view("datetime64[us]"), pairs, backward, receivers)

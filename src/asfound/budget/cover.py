"""Depths to the top of a utility, brought to its centre."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from asfound.budget.sizes import outside_diameters
from asfound.model import Assembly, NominalSize, Shots, Source


def covers(shots: Shots, sources: Sequence[Source]) -> npt.NDArray[np.bool_]:
    """(n,) shots with a depth that their upload declares to be to the top."""
    of_top = np.array([source.depth_to == "top" for source in sources] or [False])
    if not of_top.any():
        return np.zeros(len(shots), bool)
    return np.asarray(of_top[shots.source] & np.isfinite(shots.depth))


def depths_to_centre(
    shots: Shots, assembly: Assembly, sources: Sequence[Source], sizes: Sequence[NominalSize]
) -> Shots:
    """Shots with depths to the centre of the conductor, as all that follows takes them.

    Half of the outside diameter that the job declares for the line is added to a depth of cover.
    Where none is declared the depth stays as it is: the line is then taken to lie shallower than
    it does, never deeper.

    Parameters
    ----------
    shots : Shots
        n rows.
    assembly : Assembly
    sources : sequence of Source
        Their `depth_to` says what depths are to.
    sizes : sequence of NominalSize

    Returns
    -------
    Shots
        The same object if no upload's depths are to the top.
    """
    of_top = covers(shots, sources)
    if not of_top.any():
        return shots
    half = 0.5 * np.nan_to_num(outside_diameters(shots, assembly, sizes))
    return replace(shots, depth=np.where(of_top, shots.depth + half, shots.depth))

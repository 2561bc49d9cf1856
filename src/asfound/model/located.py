"""What sweeps found, in the job's frame, and which shots take their place and depth from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LocatedConductor:
    """One conductor under a sweep.

    Parameters
    ----------
    position, depth : float
        Along the tape from its zero; ground to centre [m].
    position_sd, depth_sd : float
        Of the inversion, with the allowance for neighbours that the readings can't tell [m].
    current : float
        [A]; relative to the strongest where the gain is unknown. Signs are relative.
    easting, northing, height : float
        Centre, job's frame [m]; height NaN where the ground's is not known.
    covariance : (3, 3) float64
        Of the centre, grid east, north, up [m2], the tape's ends included.
    """

    position: float
    depth: float
    position_sd: float
    depth_sd: float
    current: float
    easting: float
    northing: float
    height: float
    covariance: Floats


@dataclass(frozen=True, eq=False)
class LocatedSweep:
    """An inverted sweep in the job's frame.

    Parameters
    ----------
    name : str
    sweep : int
        Index in `Intake.sweeps`.
    reason : str
        Why the sweep could not be used, and what to measure next; empty if it could.
    explained : bool
        False if no model explains the readings: nothing is taken from such a sweep.
    conductors : tuple of LocatedConductor
        Strongest first.
    words : tuple of str
        What these readings can and can't tell.
    evidence : tuple of float
        For 1, 2, ... conductors; NaN where not tried.
    p_value, noise : float
        Probability of so large a misfit; standard deviation of a reading in its unit.
    outlier : (k,) bool
        Readings left out.
    gain_known : bool
    start, end : (3,) float64
        Easting, northing, ground height at the tape's zero and end [m].
    line : int
        Index of the assembled line that the tape crosses, -1 for none.
    target : int
        The conductor that is that line, -1 for none.
    shown_peak, shown_null, shown_depth : float
        What a receiver with one-conductor logic shows over the target: places along the tape and
        depth [m]; NaN where it shows none.
    """

    name: str
    sweep: int
    reason: str
    explained: bool
    conductors: tuple[LocatedConductor, ...]
    words: tuple[str, ...]
    evidence: tuple[float, ...]
    p_value: float
    noise: float
    outlier: npt.NDArray[np.bool_]
    gain_known: bool
    start: Floats
    end: Floats
    line: int
    target: int
    shown_peak: float
    shown_null: float
    shown_depth: float


@dataclass(frozen=True)
class SweepCorrection:
    """A shot that takes its place across the line and its depth from a sweep beside it.

    Parameters
    ----------
    shot, located : int
        Indices in `Shots` and in `Results.sweeps`.
    shift_left : float
        How far the shot moves to the left of its line [m].
    depth_before, depth : float
        As read, and as taken from the sweep [m].
    horizontal_sd, depth_sd : float
        Of what was taken over: inversion, tape, and distance from the sweep [m].
    distance : float
        From the sweep along the line [m].
    significant : bool
        Whether reading and sweep differ by more than both uncertainties explain.
    reason : str
        In words.
    """

    shot: int
    located: int
    shift_left: float
    depth_before: float
    depth: float
    horizontal_sd: float
    depth_sd: float
    distance: float
    significant: bool
    reason: str

"""What an inversion answers: for one sweep, or arrays for many."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._words import describe

FloatArray = npt.NDArray[np.float64]
CurrentArray = npt.NDArray[np.float64] | npt.NDArray[np.complex128]
BoolArray = npt.NDArray[np.bool_]

MOST_CONDUCTORS = 4


class SweepStatus(IntEnum):
    """What became of a sweep."""

    EXPLAINED = 0
    """The model explains the readings."""
    UNEXPLAINED = 1
    """None of the models explains the readings; the best is given, its uncertainty enlarged."""
    UNUSABLE = 2
    """The readings can't be inverted; the reason says what to measure next."""


@dataclass(frozen=True)
class Conductor:
    """One conductor found.

    Parameters
    ----------
    position, depth : float
        Across the line from the sweep's zero; below ground to the centre [m].
    current : float or complex
        [A]; relative to the strongest conductor where the gain is unknown. Only relative signs
        (phases) mean something for unsigned readings.
    covariance : (3, 3) tuple of tuples
        Of position, depth, current (magnitude, for phasors), for the number of conductors found.
    neighbour_position, neighbour_depth : float
        Standard deviations to add for a neighbour that these readings can't tell [m].
    """

    position: float
    depth: float
    current: float | complex
    covariance: tuple[tuple[float, ...], ...]
    neighbour_position: float
    neighbour_depth: float

    @property
    def position_sd(self) -> float:
        """Standard deviation of the position, with the allowance for a hidden neighbour [m]."""
        return float(np.hypot(np.sqrt(self.covariance[0][0]), self.neighbour_position))

    @property
    def depth_sd(self) -> float:
        """Standard deviation of the depth, with the allowance for a hidden neighbour [m]."""
        return float(np.hypot(np.sqrt(self.covariance[1][1]), self.neighbour_depth))

    @property
    def current_sd(self) -> float:
        """Standard deviation of the current [A], or relative."""
        return float(np.sqrt(self.covariance[2][2]))


@dataclass(frozen=True, eq=False)
class SweepFit:
    """Inversion of one sweep.

    Parameters
    ----------
    conductors : tuple of Conductor
        Strongest first.
    evidence : tuple of float
        For 1, 2, ... conductors; a lead of 3 is strong, of 5 decisive. NaN: not tried, because
        fewer explained the sweep or the readings are too few.
    p_value : float
        Probability of so large a misfit under the model; if the noise is unknown, of so much
        likeness between neighbouring residuals; NaN with too few readings to tell.
    noise : float
        Standard deviation of a reading, given or estimated, in the unit of the readings (as a
        share of the peak for dB).
    noise_known, gain_known : bool
    background : tuple of float or complex
        Uniform field at the horizontal and vertical coil, in the unit of the readings.
    outlier : (k,) bool
        Readings left out as grossly wrong.
    status : SweepStatus
    identifiability : tuple of str
        What these readings can and can't tell, and what to measure next.
    separation_limit : float
        A second conductor with a third of the strongest's current would have been told from it
        beyond this separation [m]; infinite if at no separation up to 3 m.
    """

    conductors: tuple[Conductor, ...]
    evidence: tuple[float, ...]
    p_value: float
    noise: float
    noise_known: bool
    gain_known: bool
    background: tuple[float | complex, float | complex]
    outlier: BoolArray
    status: SweepStatus
    identifiability: tuple[str, ...]
    separation_limit: float


@dataclass(frozen=True, eq=False)
class SweepFits:
    """Inversion of n sweeps, as arrays padded to 4 conductors (strongest first) with NaN.

    Parameters
    ----------
    n_conductors : (n,) intp
        0 for unusable sweeps.
    position, depth : (n, 4) float64
        [m].
    current : (n, 4) float64 or complex128
        [A], or relative to the strongest where the gain is unknown.
    covariance : (n, 12, 12) float64
        Position, depth, current of the first conductor, then of the next; given the number of
        conductors.
    neighbour : (n, 4, 2) float64
        Standard deviations of position and depth to add for a neighbour that the readings can't
        tell [m].
    background : (n, 2) float64 or complex128
        At the horizontal and vertical coil, in the unit of the readings; 0 if not fitted.
    evidence : (n, 4) float64
        NaN where not tried.
    p_value, noise : (n,) float64
        See `SweepFit`.
    noise_known, gain_known : (n,) bool
    outlier : tuple of (k,) bool
    status : (n,) int8
        `SweepStatus`.
    reason : tuple of str
        Why a sweep is unusable and what to measure next; else empty.
    separation_limit : (n,) float64
        [m].
    at_bound : (n, 4) bool
        Depth or position came to rest at the limit of the search.
    sampled : (n, 4) float64
        Readings used, different coil heights, share of vertical-coil readings, repeated
        readings: for the words.
    """

    n_conductors: npt.NDArray[np.intp]
    position: FloatArray
    depth: FloatArray
    current: CurrentArray
    covariance: FloatArray
    neighbour: FloatArray
    background: CurrentArray
    evidence: FloatArray
    p_value: FloatArray
    noise: FloatArray
    noise_known: BoolArray
    gain_known: BoolArray
    outlier: tuple[BoolArray, ...]
    status: npt.NDArray[np.int8]
    reason: tuple[str, ...]
    separation_limit: FloatArray
    at_bound: BoolArray
    sampled: FloatArray

    def __len__(self) -> int:
        return len(self.status)

    @property
    def position_sd(self) -> FloatArray:
        """Standard deviations of the positions, with the neighbour's allowance, (n, 4) [m]."""
        variance = np.einsum("nii->ni", self.covariance)[:, 0::3]
        deviation: FloatArray = np.sqrt(variance + self.neighbour[:, :, 0] ** 2)
        return deviation

    @property
    def depth_sd(self) -> FloatArray:
        """Standard deviations of the depths, with the neighbour's allowance, (n, 4) [m]."""
        variance = np.einsum("nii->ni", self.covariance)[:, 1::3]
        deviation: FloatArray = np.sqrt(variance + self.neighbour[:, :, 1] ** 2)
        return deviation

    def words(self, sweep: int) -> tuple[str, ...]:
        """What sweep number `sweep` can and can't tell, in sentences."""
        if self.status[sweep] == SweepStatus.UNUSABLE:
            return (self.reason[sweep],)
        n = int(self.n_conductors[sweep])
        return describe(
            n_conductors=n,
            position=self.position[sweep, :n],
            depth=self.depth[sweep, :n],
            position_sd=self.position_sd[sweep, :n],
            depth_sd=self.depth_sd[sweep, :n],
            evidence=self.evidence[sweep],
            noise_known=bool(self.noise_known[sweep]),
            gain_known=bool(self.gain_known[sweep]),
            explained=self.status[sweep] == SweepStatus.EXPLAINED,
            n_outliers=int(self.outlier[sweep].sum()),
            separation_limit=float(self.separation_limit[sweep]),
            at_bound=self.at_bound[sweep, :n],
            sampled=self.sampled[sweep],
        )

    def fit(self, sweep: int) -> SweepFit:
        """The answer for one sweep."""
        n = int(self.n_conductors[sweep])
        conductors = tuple(
            Conductor(
                float(self.position[sweep, c]),
                float(self.depth[sweep, c]),
                self.current[sweep, c].item(),
                tuple(
                    tuple(float(v) for v in row)
                    for row in self.covariance[sweep, 3 * c : 3 * c + 3, 3 * c : 3 * c + 3]
                ),
                float(self.neighbour[sweep, c, 0]),
                float(self.neighbour[sweep, c, 1]),
            )
            for c in range(n)
        )
        background = (self.background[sweep, 0].item(), self.background[sweep, 1].item())
        return SweepFit(
            conductors,
            tuple(float(e) for e in self.evidence[sweep]),
            float(self.p_value[sweep]),
            float(self.noise[sweep]),
            bool(self.noise_known[sweep]),
            bool(self.gain_known[sweep]),
            background,
            self.outlier[sweep],
            SweepStatus(int(self.status[sweep])),
            self.words(sweep),
            float(self.separation_limit[sweep]),
        )

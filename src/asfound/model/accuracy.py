"""What checks prove of a job: misclosures, statements, mix-ups, proposed quality levels."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Checks:
    """n checks of one kind.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    name : tuple of str
        Of each: the control point, the pair, the exposure.
    subject : (n,) int64
        Shot (control, repeat: the later one) or line (exposure).
    difference : (n, 3) float64
        Measured minus reference: grid east, north, up [m]; up is NaN where either has no height.
    bearing : (n,) float64
        Grid bearing of the line where only the offset across it is told (then `difference` lies
        across the line); NaN where both horizontal axes are told [rad].
    reference : (n, 3, 3) float64
        Covariance of the reference alone [m2].
    joint : (3n, 3n) float64
        Covariance of all differences, east, north, up of check 1, then of check 2 ... [m2].
    place : (n, 3) float64
        Reference easting, northing, height [m].
    """

    kind: str
    name: tuple[str, ...]
    subject: Integers
    difference: Floats
    bearing: Floats
    reference: Floats
    joint: Floats
    place: Floats

    def __len__(self) -> int:
        return len(self.name)

    @property
    def covariance(self) -> Floats:
        """(n, 3, 3) covariance of each difference [m2]."""
        count = len(self)
        blocks = self.joint.reshape(count, 3, count, 3)
        return np.asarray(blocks[np.arange(count), :, np.arange(count), :])

    @property
    def point(self) -> npt.NDArray[np.bool_]:
        """(n,) whether both horizontal axes are told."""
        return np.asarray(np.isnan(self.bearing))

    def take(self, rows: npt.NDArray[np.integer] | npt.NDArray[np.bool_]) -> Checks:
        """The same record for chosen checks (indices or a mask)."""
        picked = np.arange(len(self))[rows]
        flat = (3 * picked[:, None] + np.arange(3)).ravel()
        return replace(
            self,
            name=tuple(self.name[k] for k in picked.tolist()),
            subject=self.subject[picked],
            difference=self.difference[picked],
            bearing=self.bearing[picked],
            reference=self.reference[picked],
            joint=self.joint[np.ix_(flat, flat)],
            place=self.place[picked],
        )

    def observed(self) -> tuple[Floats, Floats]:
        """All differences that carry information, as independent axes.

        Returns
        -------
        difference : (m,) float64
            East, north (or across the line) and up of each check, missing ones left out [m].
        covariance : (m, m) float64
            [m2].
        """
        design = self._design()
        values = design @ np.nan_to_num(self.difference).ravel()
        return values, design @ self.joint @ design.T

    def _design(self) -> Floats:
        """(m, 3n): rows pick the axes that are told."""
        count = len(self)
        rows: list[Floats] = []
        for k in range(count):
            axes = np.eye(3)
            if np.isfinite(self.bearing[k]):
                # left of the line: the offset across it
                axes = np.array(
                    [[-np.cos(self.bearing[k]), np.sin(self.bearing[k]), 0.0], [0.0, 0.0, 1.0]]
                )
            if np.isnan(self.difference[k, 2]):
                axes = axes[:-1]
            block = np.zeros((len(axes), 3 * count))
            block[:, 3 * k : 3 * k + 3] = axes
            rows.append(block)
        return np.concatenate(rows) if rows else np.zeros((0, 0))


@dataclass(frozen=True)
class RootMeanSquare:
    """A root mean square error and how well it is known.

    Parameters
    ----------
    value : float
        [m].
    low, high : float
        Its confidence interval [m].
    mean : float
        Of the errors, with their sign [m]; NaN for a radial error.
    count : int
        Checks.
    freedom : float
        Effective number of independent squares in it.
    level : float
        Of the interval.
    """

    value: float
    low: float
    high: float
    mean: float
    count: int
    freedom: float
    level: float


@dataclass(frozen=True)
class Statement:
    """One accuracy statement.

    Parameters
    ----------
    standard : str
    quantity : str
        ``'horizontal'``, ``'vertical'``, ``'across the line'`` or ``'three-dimensional'``.
    accuracy : float
        The standard's figure [m].
    low, high : float
        Interval of it that the number of checks leaves open [m].
    rmse : RootMeanSquare
    form : str
        Which formula was used.
    reference_rmse : float
        Error of the check points that is counted in [m]; 0 where the standard counts none.
    sufficient : bool
        Whether the standard's least number of checks is met.
    words : tuple of str
        The statement first, then what to know about it.
    """

    standard: str
    quantity: str
    accuracy: float
    low: float
    high: float
    rmse: RootMeanSquare
    form: str
    reference_rmse: float
    sufficient: bool
    words: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class BudgetTest:
    """Checks against a budget.

    Parameters
    ----------
    kind : str
        Of the checks.
    score : (n,) float64
        Each check's squared normalised residual: chi-squared with `axes` degrees of freedom.
    axes : (n,) int64
        Axes that are told: 1 to 3.
    chance : (n,) float64
        Chance of so large a residual.
    residual : (m,) float64
        All axes decorrelated: standard normal if the budget is honest.
    statistic, freedom : float, int
        Their sum of squares and its degrees of freedom.
    p_value : float
        Two-sided.
    factor : float
        Variance factor: by how much all variances of the budget would have to be multiplied. It
        is offered; nothing applies it.
    low, high : float
        Its interval.
    level : float
    outliers : (k,) int64
        Checks that by themselves would come by chance in less than 1 of 1000.
    factor_without : float
        The factor without the outliers; NaN if nothing is left.
    words : tuple of str
    """

    kind: str
    score: Floats
    axes: npt.NDArray[np.int64]
    chance: Floats
    residual: Floats
    statistic: float
    freedom: int
    p_value: float
    factor: float
    low: float
    high: float
    level: float
    outliers: npt.NDArray[np.int64]
    factor_without: float
    words: tuple[str, ...]

    @property
    def honest(self) -> bool:
        """Whether the interval of the variance factor holds 1."""
        return self.low <= 1.0 <= self.high


@dataclass(frozen=True)
class MixUp:
    """One cause and what speaks for it.

    Parameters
    ----------
    cause : str
        A key of `CAUSES`, ``'common-offset'`` or ``'scatter'``; ``''``: none.
    words : tuple of str
        The ways it could have happened that can't be told apart here, likeliest first.
    weight : float
        Posterior probability among all suspects.
    residual : float
        Root mean square length of the residuals if it were so [m].
    fit : float
        Chance of such residuals if it were so.
    offset : float
        Constant in height that it takes [m]; NaN for none.
    """

    cause: str
    words: tuple[str, ...]
    weight: float
    residual: float
    fit: float
    offset: float


@dataclass(frozen=True)
class MixUpReport:
    """What a set of checks says of mix-ups.

    Parameters
    ----------
    upload : str
    checks : int
    misclosure : float
        Root mean square length of the residuals as declared [m]; infinite if the declared reading
        is impossible.
    chance : float
        Of such a misclosure without a mix-up.
    named : str
        The probable cause, ``''`` for none.
    causes : tuple of MixUp
        By weight, from 0.1 %.
    words : tuple of str
    """

    upload: str
    checks: int
    misclosure: float
    chance: float
    named: str
    causes: tuple[MixUp, ...]
    words: tuple[str, ...]


@dataclass(frozen=True)
class Segment:
    """A stretch of a line that is known in one way.

    Parameters
    ----------
    line : str
    start, end : float
        Stations [m]; equal for an exposure, which proves a point only.
    known_by : str
        One of `KNOWN_BY`.
    horizontal_95, vertical_95 : float
        Largest within the segment [m]; vertical NaN where no depth is known.
    depth : float
        Least depth of the centre within it [m]: shares of it are counted where they are smallest;
        NaN if not known.
    name : str
        Of the exposure, empty else.
    """

    line: str
    start: float
    end: float
    known_by: str
    horizontal_95: float
    vertical_95: float
    depth: float
    name: str = ""


@dataclass(frozen=True)
class QualityLevel:
    """A level of a scheme; figures are NaN where it asks for none [m, or share of the depth]."""

    name: str
    title: str
    needs: str
    horizontal: float = math.nan
    horizontal_share: float = math.nan
    vertical: float = math.nan
    vertical_share: float = math.nan


@dataclass(frozen=True)
class Scheme:
    """A standard's levels, best first, and how they got here."""

    id: str
    title: str
    read: str
    note: str
    levels: tuple[QualityLevel, ...]


@dataclass(frozen=True)
class Proposal:
    """A level proposed for a segment.

    Parameters
    ----------
    scheme : Scheme
    segment : Segment
    level : QualityLevel or None
        None where the findings must be settled first, or no level fits.
    reasons : tuple of str
        Why this one.
    lacking : tuple of str
        What is missing to the next better one; empty at the best.
    next_level : QualityLevel or None
    words : str
    """

    scheme: Scheme
    segment: Segment
    level: QualityLevel | None
    reasons: tuple[str, ...]
    lacking: tuple[str, ...]
    next_level: QualityLevel | None
    words: str


@dataclass(frozen=True, eq=False)
class CheckSet:
    """All checks of one kind and what they say.

    Parameters
    ----------
    checks : Checks
        Every one, the counted and the others.
    counted : (n,) bool
        False for checks of an upload that was probably misread: a mistake to be mended is no
        random error.
    radius, half_height : (n,) float64
        95 % limits that budget and reference allow: of the horizontal difference (across the
        line where only that is told) and of the height [m].
    chance : (n,) float64
        Chance of so large a difference if the budget is right.
    statements : tuple of Statement
        From the counted ones.
    budget : BudgetTest or None
        Of the counted ones; None if there is none.
    words : tuple of str
        What was left out, and what the figures would be with it.
    """

    checks: Checks
    counted: npt.NDArray[np.bool_]
    radius: Floats
    half_height: Floats
    chance: Floats
    statements: tuple[Statement, ...]
    budget: BudgetTest | None
    words: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class AccuracyReport:
    """What checks prove of a job, and which quality level each stretch of a line may claim.

    Parameters
    ----------
    sets : tuple of CheckSet
        Control, repeats, exposures: those that the job has.
    mix_ups : tuple of MixUpReport
        One for each upload whose checks chance does not explain.
    proposals : tuple of Proposal
        By scheme, then line, then station.
    words : tuple of str
        What is lacking, such as a job without any control.
    """

    sets: tuple[CheckSet, ...]
    mix_ups: tuple[MixUpReport, ...]
    proposals: tuple[Proposal, ...]
    words: tuple[str, ...] = ()

"""Planned digs, what is required around lines, exposures, and what was found about each pair."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Protocol

import numpy as np
import numpy.typing as npt

from asfound.model.lines import Line
from asfound.model.vocabulary import Utility

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Trench:
    """A trench, or with `milling` the removal of a strip of surface.

    Parameters
    ----------
    name : str
    easting, northing : (k,) float64
        Axis in the job's frame [m].
    width, depth, elevation : (k,) float64
        Full width; bottom below ground, or its height, at each point of the axis [m]. One of
        `depth` and `elevation` is NaN everywhere. Between points all run straight; where the
        width changes along a leg the greater width holds for the leg.
    horizontal_sd, vertical_sd : float
        Of the digging against the plan, the same along the dig [m], 1 sigma.
    installs : Utility
        What will be laid in it.
    milling : bool
    """

    name: str
    easting: Floats
    northing: Floats
    width: Floats
    depth: Floats
    elevation: Floats
    horizontal_sd: float = 0.10
    vertical_sd: float = 0.05
    installs: Utility = Utility.UNKNOWN
    milling: bool = False

    @property
    def kind(self) -> str:
        return "milling" if self.milling else "trench"


@dataclass(frozen=True, eq=False)
class Bore:
    """A bored path.

    Parameters
    ----------
    name : str
    easting, northing : (k,) float64
        Path in the job's frame, from entry to exit [m].
    depth, elevation : (k,) float64
        Centre below ground, or its height [m]; one of them is NaN everywhere.
    pilot_diameter, final_diameter : float
        Of the pilot hole and of the last reaming [m].
    horizontal_sd, vertical_sd : float
        At the entry [m], 1 sigma.
    horizontal_steering, vertical_steering : float
        Growth of the error with length bored [m per m], 1 sigma: a drift that goes on.
    installs : Utility
    """

    name: str
    easting: Floats
    northing: Floats
    depth: Floats
    elevation: Floats
    pilot_diameter: float
    final_diameter: float
    horizontal_sd: float = 0.05
    vertical_sd: float = 0.05
    horizontal_steering: float = 0.01
    vertical_steering: float = 0.01
    installs: Utility = Utility.UNKNOWN

    @property
    def kind(self) -> str:
        return "bore"


@dataclass(frozen=True, eq=False)
class Pit:
    """A pit with an upright wall all round.

    Parameters
    ----------
    name : str
    easting, northing : (k,) float64
        Corners, not closed [m].
    depth, elevation : float
        Bottom below ground (the lowest ground inside), or its height [m]; the other is NaN.
    horizontal_sd, vertical_sd : float
        [m], 1 sigma.
    installs : Utility
    """

    name: str
    easting: Floats
    northing: Floats
    depth: float
    elevation: float = float("nan")
    horizontal_sd: float = 0.10
    vertical_sd: float = 0.05
    installs: Utility = Utility.UNKNOWN

    @property
    def kind(self) -> str:
        return "pit"


@dataclass(frozen=True)
class Post:
    """A post, pole or auger hole.

    Parameters
    ----------
    name : str
    easting, northing : float
        [m].
    diameter : float
        [m].
    depth, elevation : float
        Bottom below ground, or its height [m]; the other is NaN.
    horizontal_sd, vertical_sd : float
        [m], 1 sigma.
    installs : Utility
    """

    name: str
    easting: float
    northing: float
    diameter: float
    depth: float
    elevation: float = float("nan")
    horizontal_sd: float = 0.05
    vertical_sd: float = 0.05
    installs: Utility = Utility.UNKNOWN

    @property
    def kind(self) -> str:
        return "post"


Dig = Trench | Bore | Pit | Post


@dataclass(frozen=True, eq=False)
class RecordLine:
    """A line known from records only: nobody located it.

    Parameters
    ----------
    name : str
    utility : Utility
    easting, northing : (k,) float64
        As drawn, in the job's frame [m].
    depth : (k,) float64
        Ground to centre as the record says [m]; NaN where it says nothing.
    horizontal_sd : float
        Of the record [m].
    outside_diameter : float
        [m], NaN if the record doesn't say.
    basis : str
        Which record.
    """

    name: str
    utility: Utility
    easting: Floats
    northing: Floats
    depth: Floats
    horizontal_sd: float = 1.0
    outside_diameter: float = float("nan")
    basis: str = ""


@dataclass(frozen=True)
class Exposure:
    """A line seen: by pothole, vacuum or open trench.

    Parameters
    ----------
    name : str
    line : str
        Name of the line that was exposed.
    easting, northing : float
        Of the centre of its top, job's frame [m].
    top_depth : float
        Ground to top [m].
    ground_height : float
        [m]; NaN: taken from the ground surface.
    outside_diameter : float
        As measured [m]; NaN if not measured.
    material, photo, who, method : str
    when : date or None
    horizontal_sd, vertical_sd : float
        Of the measurement [m], 1 sigma.
    """

    name: str
    line: str
    easting: float
    northing: float
    top_depth: float
    ground_height: float = float("nan")
    outside_diameter: float = float("nan")
    material: str = ""
    photo: str = ""
    who: str = ""
    method: str = ""
    when: date | None = None
    horizontal_sd: float = 0.02
    vertical_sd: float = 0.02


@dataclass(frozen=True)
class ClearanceRule:
    """A required clearance.

    Parameters
    ----------
    id, title : str
    shape : str
        ``'distance'``: outer surfaces must be `distance` apart in space. ``'zone'``: they must be
        `horizontal` apart in plan, at whatever depth. ``'separation'``: `horizontal` apart in
        plan, or else `vertical` apart in height.
    distance, horizontal, vertical : float
        [m], NaN where the shape has none.
    near : tuple of Utility
        Lines it holds for; empty for all.
    installs : tuple of Utility
        What is being laid; empty for anything, also nothing.
    both_ways : bool
        Whether `near` and `installs` may change places.
    jurisdiction, citation : str
    read : date or None
        When the source was read.
    from_memory : bool
        True where the source was not read: check before relying on it.
    """

    id: str
    title: str
    shape: str
    distance: float = float("nan")
    horizontal: float = float("nan")
    vertical: float = float("nan")
    near: tuple[Utility, ...] = ()
    installs: tuple[Utility, ...] = ()
    both_ways: bool = False
    jurisdiction: str = ""
    citation: str = ""
    read: date | None = None
    from_memory: bool = False


@dataclass(frozen=True)
class RuleAnswer:
    """How a pair of dig and line stands to one rule.

    Parameters
    ----------
    rule : ClearanceRule
    shortfall : float
        How far the planned distance falls short of what is required [m]; negative: in excess.
    p_breach : float
        Probability that the required clearance is not kept.
    """

    rule: ClearanceRule
    shortfall: float
    p_breach: float


@dataclass(frozen=True, eq=False)
class Approach:
    """One line near one dig.

    Parameters
    ----------
    line : str
    line_index : int
        In the job's lines; counted on over the record lines.
    utility : Utility
    source : str
        ``'located'`` or ``'records'``.
    line_station, dig_station : float
        Of the nearest approach, along each [m]; a pit's station runs round its wall, a post has
        station 0.
    line_point, dig_point : (3,) float64
        Easting, northing, height: the line's axis and the nearest point of the dig's surface (of
        a bore: of its axis) [m].
    line_bearing : float
        Grid bearing of the line there [rad].
    line_covariance : (3, 3) float64
        Of the axis there [m2].
    ground_height : float
        Above the line there [m].
    crosses : bool
        Whether line and dig overlap in plan.
    clearance : float
        Between outer surfaces [m]; zero or less: they touch.
    horizontal, vertical : float
        Parts of the nearest distance between the surfaces, along the same straight connection
        [m]; zero where they touch.
    line_below : bool
        Whether the line lies below the dig's nearest point.
    clearance_sd : float
        [m].
    clearance_range : (3,) float64
        5, 50 and 95 % quantiles [m].
    p_contact, p_contact_pilot : float
        Probability that dig and line touch; for a bore also by the pilot hole alone, else NaN.
    p_error : float
        Standard error of the computation of these probabilities.
    rules : tuple of RuleAnswer
        All that apply, the most likely broken first.
    outside_diameter : float
        Used [m]; the median where it is not known.
    diameter_basis, depth_basis : str
        ``'known'``, ``'assumed'`` or ``'unknown'``; ``'located'``, ``'records'`` or ``'assumed'``.
    unsupported : bool
        Whether the nearest approach lies in a gap of the line that no shots support.
    risk : float
        Expected cost of not knowing, in units of one strike (see `docs/explanation/clearance.md`).
    words : tuple of str
    """

    line: str
    line_index: int
    utility: Utility
    source: str
    line_station: float
    dig_station: float
    line_point: Floats
    dig_point: Floats
    line_bearing: float
    line_covariance: Floats
    ground_height: float
    crosses: bool
    clearance: float
    horizontal: float
    vertical: float
    line_below: bool
    clearance_sd: float
    clearance_range: Floats
    p_contact: float
    p_contact_pilot: float
    p_error: float
    rules: tuple[RuleAnswer, ...]
    outside_diameter: float
    diameter_basis: str
    depth_basis: str
    unsupported: bool
    risk: float
    words: tuple[str, ...]

    @property
    def rule(self) -> ClearanceRule | None:
        """The rule most likely broken."""
        return self.rules[0].rule if self.rules else None

    @property
    def p_breach(self) -> float:
        """Probability that the clearance of that rule is not kept; NaN if no rule applies."""
        return self.rules[0].p_breach if self.rules else float("nan")


@dataclass(frozen=True, eq=False)
class DigClearance:
    """A dig against all lines near it.

    Parameters
    ----------
    dig : Dig
    approaches : tuple of Approach
        By risk, the greatest first.
    searched : float
        Share of the dig's surroundings that was searched; NaN if not recorded.
    reach : float
        How far around the dig lines were looked for [m].
    words : tuple of str
        What is known of the dig as a whole.
    cautions : tuple of str
    """

    dig: Dig
    approaches: tuple[Approach, ...]
    searched: float
    reach: float
    words: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def risk(self) -> float:
        """Sum over the lines."""
        return sum(approach.risk for approach in self.approaches)


@dataclass(frozen=True)
class CandidateExposure:
    """A place where a line could be exposed, and what a hole there costs (any unit)."""

    line_index: int
    line: str
    station: float
    easting: float
    northing: float
    cost: float = 1.0


@dataclass(frozen=True, eq=False)
class ExposureAdvice:
    """Which lines to expose, the most useful hole first.

    Parameters
    ----------
    chosen : tuple of CandidateExposure
    reduction : (k,) float64
        Expected reduction of risk by each hole, given those before it.
    risk_before : float
    risk_after : (k,) float64
        Expected risk after each hole.
    ceiling : float
        No choice of so many holes among the candidates is expected to reduce risk by more.
    words : tuple of str
    cautions : tuple of str
    """

    chosen: tuple[CandidateExposure, ...]
    reduction: Floats
    risk_before: float
    risk_after: Floats
    ceiling: float
    words: tuple[str, ...]
    cautions: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class ExposureComparison:
    """What was expected of a line before it was exposed, and what was found.

    Parameters
    ----------
    exposure : Exposure
    line_index : int
        -1 if there is no such line.
    station : float
        [m].
    left, up : float
        Found minus expected, across the line (left positive) and in height of the centre [m].
    left_sd, up_sd : float
        Expected size of these, line and measurement together [m].
    em_depth_error : float
        Located depth to centre minus true depth to centre [m]; positive: it read too deep.
    distance_squared : float
        Of both against what was expected; chi-squared with two degrees of freedom.
    p_value : float
    contradicted : bool
        Whether the line as located and what was found can't both be right.
    words : str
    """

    exposure: Exposure
    line_index: int
    station: float
    left: float
    up: float
    left_sd: float
    up_sd: float
    em_depth_error: float
    distance_squared: float
    p_value: float
    contradicted: bool
    words: str


@dataclass(frozen=True)
class SharedBias:
    """What exposures said of an error that many shots share.

    Parameters
    ----------
    term : str
        Name of the budget's term, such as the depth scale of a hook-up.
    group : int
        Its code in `BudgetTerm.shared_by`.
    lines : tuple of int
        Lines that carry it.
    size : float
        Its standard deviation in height before, where lines were exposed [m].
    up, up_sd : float
        Estimate of what it does to heights there, and its standard deviation [m].
    """

    term: str
    group: int
    lines: tuple[int, ...]
    size: float
    up: float
    up_sd: float


@dataclass(frozen=True, eq=False)
class ExposureUpdate:
    """Lines after exposures.

    Parameters
    ----------
    lines : tuple of Line
        All lines of the job, those that learnt something with another axis and covariance.
    line_verdict : (lines,) int8
    verdict : (n,) int8
        Of each shot; shots near an exposure that contradicts them are doubtful at best.
    comparisons : tuple of ExposureComparison
        One an exposure.
    shared : tuple of SharedBias
    before : LinesBefore
        The same lines and verdicts as they were without exposures.
    """

    lines: tuple[Line, ...]
    line_verdict: npt.NDArray[np.int8]
    verdict: npt.NDArray[np.int8]
    comparisons: tuple[ExposureComparison, ...]
    shared: tuple[SharedBias, ...]
    before: LinesBefore


@dataclass(frozen=True, eq=False)
class LinesBefore:
    """Lines as located, before any exposure: what exposures are held against.

    Parameters
    ----------
    lines : tuple of Line
    line_verdict : (lines,) int8
    verdict : (n,) int8
        Of each shot.
    """

    lines: tuple[Line, ...]
    line_verdict: npt.NDArray[np.int8]
    verdict: npt.NDArray[np.int8]


class Terrain(Protocol):
    """A ground surface, in the job's frame."""

    @property
    def basis(self) -> str:
        """Where it comes from, in words."""

    def heights(self, easting: Floats, northing: Floats) -> tuple[Floats, Floats]:
        """(k,) heights and their standard deviations [m]; NaN where it doesn't reach."""


@dataclass(frozen=True, eq=False)
class Area:
    """A part of the plan.

    Parameters
    ----------
    easting, northing : (k,) float64
        Corners, not closed, job's frame [m].
    basis : str
        Who said so, or why.
    cost : float
        Of a hole in it, in units of a hole elsewhere; infinite: none can be made there.
    """

    easting: Floats
    northing: Floats
    basis: str = ""
    cost: float = 1.0


@dataclass(frozen=True, eq=False)
class DigReport:
    """All planned digs of a job against its lines.

    Parameters
    ----------
    digs : tuple of DigClearance
        In the plan's order.
    advice : ExposureAdvice or None
        Where to expose; None if no holes are wanted.
    rules : tuple of ClearanceRule
        The required clearances that were asked for.
    ground : str
        Where the heights of the ground come from.
    searched : tuple of str
        On what the searched area rests; empty if what was searched is not recorded.
    without_exposures : mapping of int to DigClearance
        Digs near lines that were exposed, by their place in `digs`: how they would stand to those
        lines if nothing had been exposed.
    """

    digs: tuple[DigClearance, ...]
    advice: ExposureAdvice | None
    rules: tuple[ClearanceRule, ...]
    ground: str
    searched: tuple[str, ...] = ()
    without_exposures: Mapping[int, DigClearance] = field(default_factory=dict)

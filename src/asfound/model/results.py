"""Everything a run of the main job found out, in one record that outputs are made from."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from asfound.model.accuracy import AccuracyReport
from asfound.model.decisions import DecisionOutcome
from asfound.model.digs import DigReport, ExposureUpdate
from asfound.model.findings import Findings
from asfound.model.intake import Intake
from asfound.model.lines import Assembly, Crossing, Line
from asfound.model.located import LocatedSweep, SweepCorrection
from asfound.model.plan import Plan
from asfound.model.positions import Ground
from asfound.model.settings import JobSettings
from asfound.model.stakeouts import StakeoutList
from asfound.model.uncertainty import Budget

CAUTIONS = (
    "Electromagnetic positions and depths are estimates, not exact. Other conductors, and lines "
    "that carry no signal, may lie anywhere, also where nothing is drawn.",
    "Before any digging: give notice to the one-call or dial-before-you-dig service, wait for the "
    "owners' answers, and follow local law.",
    "Inside the tolerance zone expose by hand or vacuum before any machine works there.",
    "The utilities' owners and licensed professionals decide; this record does not give leave "
    "to dig.",
)


@dataclass(frozen=True, eq=False)
class Results:
    """One processed job.

    Parameters
    ----------
    version : str
        Of asfound.
    settings : JobSettings
    intake : Intake
    ground : Ground
        With the corrections of sweeps.
    budget : Budget
    findings : Findings
    verdict : (n,) int8
        `Verdict` of each shot.
    assembly : Assembly
    lines : tuple of Line
    line_verdict : (lines,) int8
    crossings : tuple of Crossing
    sweeps : tuple of LocatedSweep
    corrections : tuple of SweepCorrection
        Shots whose place across the line (`ground`) and depth come from a sweep.
    plan : Plan
        Digs, exposures and decisions that were laid beside the uploads.
    decided : tuple of DecisionOutcome
        What became of each decision.
    stakeouts : tuple of StakeoutList
        Lists of the plan, made.
    accuracy : AccuracyReport or None
        What checks prove, and proposed quality levels.
    exposed : ExposureUpdate or None
        What exposures changed; `lines`, `line_verdict` and `verdict` are those after them.
    digs : DigReport or None
        Planned digs against the lines; None if the plan has none.
    """

    version: str
    settings: JobSettings
    intake: Intake
    ground: Ground
    budget: Budget
    findings: Findings
    verdict: npt.NDArray[np.int8]
    assembly: Assembly
    lines: tuple[Line, ...]
    line_verdict: npt.NDArray[np.int8]
    crossings: tuple[Crossing, ...]
    sweeps: tuple[LocatedSweep, ...] = ()
    corrections: tuple[SweepCorrection, ...] = ()
    plan: Plan = field(default_factory=Plan)
    decided: tuple[DecisionOutcome, ...] = ()
    accuracy: AccuracyReport | None = None
    stakeouts: tuple[StakeoutList, ...] = ()
    exposed: ExposureUpdate | None = None
    digs: DigReport | None = None

    @property
    def depth(self) -> npt.NDArray[np.float64]:
        """(n,) depth used for each shot [m]: the reading, or what a sweep beside it found."""
        depth = self.intake.shots.depth.copy()
        for item in self.corrections:
            depth[item.shot] = item.depth
        return depth

    def shot_name(self, index: int) -> str:
        """A shot's name in the job: the upload's tag and the row, such as ``'A-17'``."""
        shots = self.intake.shots
        return f"{self.intake.sources[shots.source[index]].tag}-{shots.row[index]}"

    def shot_index(self, name: str) -> int:
        """Index of the shot of that name in the job, such as ``'A-17'``; -1 where it has none."""
        tag, _, row = name.rpartition("-")
        tags = [source.tag for source in self.intake.sources]
        if tag not in tags or not (row.isascii() and row.isdigit() and len(row) < 19):
            return -1
        shots = self.intake.shots
        found = np.flatnonzero((shots.source == tags.index(tag)) & (shots.row == int(row)))
        return int(found[0]) if len(found) else -1

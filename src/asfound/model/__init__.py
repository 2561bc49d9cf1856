"""Frozen records that the whole of asfound speaks in: arrays per quantity, no behaviour."""

from asfound.model.decisions import DECISION_KINDS, Decision, DecisionOutcome, ShotKey
from asfound.model.digs import (
    Approach,
    Bore,
    CandidateExposure,
    ClearanceRule,
    Dig,
    DigClearance,
    Exposure,
    ExposureAdvice,
    ExposureComparison,
    ExposureUpdate,
    Pit,
    Post,
    RecordLine,
    RuleAnswer,
    SharedBias,
    Trench,
)
from asfound.model.findings import SUBJECTS, Finding, Findings, Rule, RuleOutcome
from asfound.model.intake import Intake, RowAccount, RowReport
from asfound.model.labels import Labels
from asfound.model.lines import Assembly, Crossing, Line
from asfound.model.located import LocatedConductor, LocatedSweep, SweepCorrection
from asfound.model.plan import Plan
from asfound.model.positions import Ground, Operation
from asfound.model.repeats import Repeat
from asfound.model.results import CAUTIONS, Results
from asfound.model.settings import (
    ControlPoint,
    Frame,
    JobSettings,
    NominalSize,
    Receiver,
    Source,
)
from asfound.model.shots import Shots
from asfound.model.sweeps import HORIZONTAL_COIL, VERTICAL_COIL, Sweep
from asfound.model.uncertainty import Budget, BudgetTerm
from asfound.model.vocabulary import (
    APWA_COLOURS,
    Fix,
    Method,
    Severity,
    Utility,
    UtilityColour,
    Verdict,
)

__all__ = [
    "APWA_COLOURS",
    "CAUTIONS",
    "DECISION_KINDS",
    "HORIZONTAL_COIL",
    "SUBJECTS",
    "VERTICAL_COIL",
    "Approach",
    "Assembly",
    "Bore",
    "Budget",
    "BudgetTerm",
    "CandidateExposure",
    "ClearanceRule",
    "ControlPoint",
    "Crossing",
    "Decision",
    "DecisionOutcome",
    "Dig",
    "DigClearance",
    "Exposure",
    "ExposureAdvice",
    "ExposureComparison",
    "ExposureUpdate",
    "Finding",
    "Findings",
    "Fix",
    "Frame",
    "Ground",
    "Intake",
    "JobSettings",
    "Labels",
    "Line",
    "LocatedConductor",
    "LocatedSweep",
    "Method",
    "NominalSize",
    "Operation",
    "Pit",
    "Plan",
    "Post",
    "Receiver",
    "RecordLine",
    "Repeat",
    "Results",
    "RowAccount",
    "RowReport",
    "Rule",
    "RuleAnswer",
    "RuleOutcome",
    "Severity",
    "SharedBias",
    "ShotKey",
    "Shots",
    "Source",
    "Sweep",
    "SweepCorrection",
    "Trench",
    "Utility",
    "UtilityColour",
    "Verdict",
]

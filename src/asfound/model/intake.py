"""What intake hands over: accepted shots, and a report for each row that is not one."""

from __future__ import annotations

from dataclasses import dataclass

from asfound.model.settings import Source
from asfound.model.shots import Shots
from asfound.model.sweeps import Sweep


@dataclass(frozen=True)
class RowReport:
    """A row that did not become a shot (or did, with a remark): where, why, what to do.

    `accepted` is True for a remark on a row that was accepted all the same; `upload` is the tag
    of the upload in its job.
    """

    file: str
    row: int
    line_number: int
    reason: str
    remedy: str
    field: str = ""
    value: str = ""
    accepted: bool = False
    upload: str = ""


@dataclass(frozen=True)
class RowAccount:
    """Row accounting of one upload: `rows` = `shots` + `sweep_readings` + `reported`."""

    file: str
    rows: int
    shots: int
    sweep_readings: int
    reported: int

    @property
    def balanced(self) -> bool:
        return self.rows == self.shots + self.sweep_readings + self.reported


@dataclass(frozen=True, eq=False)
class Intake:
    """All uploads of a job, read."""

    sources: tuple[Source, ...]
    shots: Shots
    sweeps: tuple[Sweep, ...]
    reports: tuple[RowReport, ...]
    accounts: tuple[RowAccount, ...]

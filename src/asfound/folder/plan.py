"""A job's plan on disk: what the office laid beside the receivers' files."""

from __future__ import annotations

from asfound.folder.decisions import read_decisions
from asfound.folder.layout import JobFolder
from asfound.model import Plan


def read_plan(folder: JobFolder) -> Plan:
    """Decisions of a job; a job without any has an empty plan.

    Raises
    ------
    SettingsError
        If one of the plan's files can't be used.
    """
    return Plan(decisions=read_decisions(folder))

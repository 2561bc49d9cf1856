"""A job's plan on disk: what the office laid beside the receivers' files."""

from __future__ import annotations

from asfound.folder.decisions import read_decisions
from pathlib import Path

from asfound.folder.digs import digs_file, read_digs
from asfound.folder.layout import JobFolder
from asfound.folder.repeats import read_repeats
from asfound.folder.stakeout import read_stakeouts
from asfound.model import Plan


def read_plan(folder: JobFolder) -> Plan:
    """Decisions, repeats and stakeout lists of a job; a job without any has an empty plan.

    Raises
    ------
    SettingsError
        If one of the plan's files can't be used.
    """
    digs, exposures = read_digs(folder) if Path(digs_file(folder)).is_file() else ((), ())
    return Plan(
        digs=digs,
        exposures=exposures,
        decisions=read_decisions(folder),
        repeats=read_repeats(folder),
        stakeouts=read_stakeouts(folder),
    )

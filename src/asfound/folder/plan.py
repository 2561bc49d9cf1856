"""A job's plan on disk: what the office laid beside the receivers' files."""

from __future__ import annotations

from dataclasses import replace

from asfound.folder.decisions import read_decisions
from asfound.folder.digs import read_dig_plan
from asfound.folder.layout import JobFolder
from asfound.folder.repeats import read_repeats
from asfound.folder.stakeout import read_stakeouts
from asfound.model import Plan


def read_plan(folder: JobFolder) -> Plan:
    """Digs, exposures, decisions, repeats and stakeout lists; a job without any has an empty plan.

    Raises
    ------
    SettingsError
        If one of the plan's files can't be used.
    InputError
        If a file of digs is missing, was changed or can't be read.
    """
    return replace(
        read_dig_plan(folder),
        decisions=read_decisions(folder),
        repeats=read_repeats(folder),
        stakeouts=read_stakeouts(folder),
    )

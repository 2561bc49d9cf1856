"""Shots, lines and sweeps by their names."""

from __future__ import annotations

from asfound.errors import InputError
from asfound.model import Results


def find_shot(results: Results, name: str) -> int:
    """Index of a shot by its name in the job, such as ``'A-17'``.

    Raises
    ------
    InputError
        If the job has no such shot.
    """
    index = results.shot_index(name)
    if index >= 0:
        return index
    raise InputError(
        f"the job has no shot '{name}'.",
        where="shot",
        remedy="Shots are named by upload and row, such as A-17; the table of shots lists them.",
    )


def find_line(results: Results, name: str) -> int:
    """Index of a line by its name.

    Raises
    ------
    InputError
        If the job has no such line.
    """
    for index, line in enumerate(results.lines):
        if line.name == name:
            return index
    raise InputError(
        f"the job has no line '{name}'.",
        where="line",
        remedy="The table of lines lists them; a line may have been renamed or joined.",
    )


def find_sweep(results: Results, name: str) -> int:
    """Index of a sweep (in `Results.sweeps`) by its name.

    Raises
    ------
    InputError
        If the job has no such sweep.
    """
    for index, sweep in enumerate(results.sweeps):
        if sweep.name == name:
            return index
    raise InputError(
        f"the job has no sweep '{name}'.", where="sweep", remedy="The table of sweeps lists them."
    )

"""Lines that are none: shots under a wrong utility code, joined to one another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from asfound.model import Assembly, Findings, LocatedSweep

_RULE = "utility-mismatch"


def without_miscoded_lines(
    assembly: Assembly, findings: Findings, sweeps: tuple[LocatedSweep, ...]
) -> tuple[Assembly, Findings, tuple[LocatedSweep, ...]]:
    """Take out lines all of whose shots were found to be of another utility.

    Their shots stay, unfit and on no line; findings and sweeps on the lines that remain follow
    their new numbers.

    Returns
    -------
    assembly : Assembly
    findings : Findings
    sweeps : tuple of LocatedSweep
    """
    count = len(assembly.names)
    miscoded = np.zeros(len(assembly.line), bool)
    for outcome in findings.outcomes:
        if outcome.rule.id == _RULE:
            miscoded[outcome.index] = True
    joined = assembly.line >= 0
    members = np.bincount(assembly.line[joined], minlength=count)
    wrong = np.bincount(assembly.line[joined & miscoded], minlength=count)
    dropped = (members > 0) & (wrong == members)
    if not dropped.any():
        return assembly, findings, sweeps
    kept = np.flatnonzero(~dropped)
    number = np.full(count + 1, -1, np.int32)
    number[kept] = np.arange(len(kept), dtype=np.int32)
    line = number[assembly.line]
    gone = line < 0

    def blank(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.where(gone, np.nan, values)

    outcomes = []
    for item in findings.outcomes:
        if item.rule.subject == "line":
            stays = number[item.index] >= 0
            item = replace(
                item,
                index=number[item.index][stays].astype(np.int64),
                severity=item.severity[stays],
                value=item.value[stays],
                limit=item.limit[stays],
                detail=tuple(np.array(item.detail, object)[stays]) if item.detail else (),
            )
        outcomes.append(item)
    return (
        replace(
            assembly,
            line=line,
            rank=np.where(gone, -1, assembly.rank).astype(np.int32),
            station=blank(assembly.station),
            bearing=blank(assembly.bearing),
            names=tuple(assembly.names[k] for k in kept),
            utility=assembly.utility[kept],
            hookup=assembly.hookup[kept],
            gaps=tuple(
                (int(number[at]), rank, reason)
                for at, rank, reason in assembly.gaps
                if number[at] >= 0
            ),
            tees=tuple(
                (int(number[branch]), int(number[main]), easting, northing)
                for branch, main, easting, northing in assembly.tees
                if number[branch] >= 0 and number[main] >= 0
            ),
        ),
        Findings(tuple(outcomes), findings.not_run),
        tuple(
            replace(sweep, line=int(number[sweep.line])) if sweep.line >= 0 else sweep
            for sweep in sweeps
        ),
    )

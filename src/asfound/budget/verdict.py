"""Verdicts: what findings make of shots and lines."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from asfound.model import Assembly, Findings, Severity, Verdict


def shot_verdicts(findings: Findings, count: int) -> npt.NDArray[np.int8]:
    """Verdict of each shot: its gravest finding decides; notes leave it sound.

    Findings about a whole upload or the job do not touch single shots.

    Returns
    -------
    verdict : (count,) int8
    """
    return np.maximum(findings.worst("shot", count), 0).astype(np.int8)


def line_verdicts(
    findings: Findings, assembly: Assembly, verdict: npt.NDArray[np.int8]
) -> npt.NDArray[np.int8]:
    """Verdict of each line.

    Unfit where a finding about the line says so or more than half of its shots are unfit;
    doubtful where a finding says so or more than a third of its shots are not sound.

    Returns
    -------
    verdict : (lines,) int8
    """
    count = len(assembly.names)
    joined = assembly.line >= 0
    line, shot = assembly.line[joined], verdict[joined]
    total = np.maximum(np.bincount(line, minlength=count), 1)
    unfit = np.bincount(line, shot == Verdict.UNFIT, minlength=count) / total
    unsound = np.bincount(line, shot != Verdict.SOUND, minlength=count) / total
    own = np.maximum(findings.worst("line", count), 0)
    result = np.where(
        (own == Severity.FAIL) | (unfit > 0.5),
        Verdict.UNFIT,
        np.where((own == Severity.DOUBT) | (unsound > 1 / 3), Verdict.DOUBTFUL, Verdict.SOUND),
    )
    return result.astype(np.int8)

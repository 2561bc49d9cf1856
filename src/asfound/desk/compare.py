"""Two states of a job side by side: what moved, which verdicts changed, which findings came."""

from __future__ import annotations

from collections import Counter
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from asfound.accuracy import repeat_checks
from asfound.desk.details import number
from asfound.job.spots import repeated_spots
from asfound.model import Results, Verdict

Json = dict[str, Any]
MOST_LISTED = 500
MOST_PAIRS = 2000
AGREES = 0.05
"""Two measurements agree unless chance gives so large a difference less often than this."""
STILL = 0.0005
"""Shots that moved less than this didn't [m]."""


def compare(before: Results, after: Results) -> Json:
    """What changed from one state of a job to another.

    Parameters
    ----------
    before, after : Results

    Returns
    -------
    body : dict
        Counts of everything, and the first 500 of each list, the largest changes first. Shots
        are the same where upload and row are.
    """
    one, two = _pairs(before, after)
    gone = np.setdiff1d(np.arange(len(before.verdict)), one)
    new = np.setdiff1d(np.arange(len(after.verdict)), two)
    move = np.hypot(
        after.ground.easting[two] - before.ground.easting[one],
        after.ground.northing[two] - before.ground.northing[one],
    )
    up = after.budget.centre_height[two] - before.budget.centre_height[one]
    moved = np.flatnonzero((np.nan_to_num(move) > STILL) | (np.abs(np.nan_to_num(up)) > STILL))
    moved = moved[np.argsort(-np.maximum(move, np.abs(up))[moved], kind="stable")]
    changed = np.flatnonzero(before.verdict[one] != after.verdict[two])
    lines, findings = _lines(before, after), _findings(before, after)
    return {
        "words": _said(len(moved), len(changed), len(new), len(gone), len(lines)),
        "shots": {"before": len(before.verdict), "after": len(after.verdict), "both": len(one)},
        "moved": len(moved),
        "moved_shots": [
            {
                "shot": after.shot_name(int(two[k])),
                "horizontal_m": number(move[k]),
                "up_m": number(up[k]),
            }
            for k in moved[:MOST_LISTED].tolist()
        ],
        "verdicts_changed": len(changed),
        "verdicts": [
            {
                "shot": after.shot_name(int(two[k])),
                "before": Verdict(int(before.verdict[one[k]])).word,
                "after": Verdict(int(after.verdict[two[k]])).word,
            }
            for k in changed[:MOST_LISTED].tolist()
        ],
        "added": len(new),
        "added_shots": [after.shot_name(k) for k in new[:MOST_LISTED].tolist()],
        "removed": len(gone),
        "removed_shots": [before.shot_name(k) for k in gone[:MOST_LISTED].tolist()],
        "lines": lines,
        "findings": findings,
    }


def _said(moved: int, changed: int, new: int, gone: int, lines: int) -> list[str]:
    """The counts in sentences."""
    parts = [
        (moved, "moved"),
        (changed, "changed their verdict"),
        (new, "came"),
        (gone, "went"),
    ]
    said = [f"{_count(count, 'shot')} {words}." for count, words in parts if count]
    if lines:
        said.append(f"{_count(lines, 'line')} changed, came or went.")
    return said or ["Nothing differs between the two."]


def _count(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def compare_days(results: Results, first: date, second: date) -> Json:
    """Spots that were measured on both of two days, and whether the two agree.

    Parameters
    ----------
    results : Results
    first, second : date
        In UTC.

    Returns
    -------
    body : dict
        ``words`` and ``pairs``, the largest differences first. On a line only the offset across
        it and the height are compared, what the line itself runs between the two taken off.
    """
    shots = results.intake.shots
    spots = repeated_spots(
        shots, results.intake.sources, results.ground, results.lines, results.verdict, (),
        most=MOST_PAIRS,
    )  # fmt: skip
    day = shots.time.astype("datetime64[D]")
    wanted = np.array([first, second], "datetime64[D]")
    couple = spots.couple
    mine = np.isin(day[couple], wanted).all(axis=1) & (day[couple[:, 0]] != day[couple[:, 1]])
    on = [int(np.count_nonzero(day == one)) for one in wanted]
    words = [f"{_count(on[0], 'shot')} of {first}, {_count(on[1], 'shot')} of {second}."]
    pairs: list[Json] = []
    if mine.any():
        checks = repeat_checks(
            [(int(a), int(b)) for a, b in couple[mine]],
            results.ground,
            results.budget,
            bearing=spots.bearing[mine],
            run=spots.run[mine],
        )
        for k in range(len(checks)):
            pairs.append(_pair(results, couple[mine][k], checks.take(np.array([k]))))
        differ = sum(not pair["agrees"] for pair in pairs)
        words.append(
            f"{_count(len(pairs), 'spot')} measured on both: {len(pairs) - differ} agree within "
            f"what their uncertainty allows (95 %), {differ} differ."
        )
        pairs.sort(key=lambda pair: pair["chance"])
    else:
        words.append("No spot was measured on both days, so that nothing can be compared.")
    return {"words": words, "pairs": pairs[:MOST_LISTED]}


def _pair(results: Results, couple: npt.NDArray[np.int64], check: Any) -> Json:
    values, covariance = check.observed()
    statistic = float(values @ np.linalg.solve(covariance, values)) if len(values) else 0.0
    chance = float(chi2.sf(statistic, len(values))) if len(values) else 1.0
    east, north, up = check.difference[0].tolist()
    on_line = bool(np.isfinite(check.bearing[0]))
    line = int(results.assembly.line[couple[1]])
    return {
        "a": results.shot_name(int(couple[0])),
        "b": results.shot_name(int(couple[1])),
        "line": results.assembly.names[line] if line >= 0 else "",
        "east_m": None if on_line else number(east),
        "north_m": None if on_line else number(north),
        "across_m": number(values[0]) if on_line else number(float(np.hypot(east, north))),
        "up_m": number(up),
        "chance": round(chance, 6),
        "agrees": chance >= AGREES,
    }


def _keys(results: Results) -> npt.NDArray[Any]:
    """(n,) a shot's upload and row as one value."""
    shots = results.intake.shots
    names = np.array([source.sha256 for source in results.intake.sources] or [""], "U64")
    made = np.empty(len(shots), [("upload", "U64"), ("row", np.int64)])
    made["upload"], made["row"] = names[shots.source], shots.row
    return made


def _pairs(before: Results, after: Results) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Indices of the shots that both have, in the order of the later."""
    _, one, two = np.intersect1d(_keys(before), _keys(after), return_indices=True)
    order = np.argsort(two, kind="stable")
    return one[order], two[order]


def _lines(before: Results, after: Results) -> list[Json]:
    """Lines that came, went or changed; a line is the same where its name is."""
    old = {line.name: k for k, line in enumerate(before.lines)}
    new = {line.name: k for k, line in enumerate(after.lines)}
    made: list[Json] = []
    for name in dict.fromkeys([*new, *old]):
        if name not in old or name not in new:
            made.append({"line": name, "change": "added" if name in new else "removed"})
            continue
        a, b = before.lines[old[name]], after.lines[new[name]]
        first = Verdict(int(before.line_verdict[old[name]])).word
        second = Verdict(int(after.line_verdict[new[name]])).word
        if first != second or abs(a.length - b.length) > STILL or len(a.shots) != len(b.shots):
            made.append(
                {
                    "line": name,
                    "change": "changed",
                    "length_before_m": number(a.length),
                    "length_after_m": number(b.length),
                    "shots_before": len(a.shots),
                    "shots_after": len(b.shots),
                    "verdict_before": first,
                    "verdict_after": second,
                }
            )
    return made


def _findings(before: Results, after: Results) -> list[Json]:
    """Rules with more or fewer findings than before."""
    old, new = (
        Counter(f.rule.id for f in before.findings),
        Counter(f.rule.id for f in after.findings),
    )
    titles = {f.rule.id: f.rule.title for one in (before, after) for f in one.findings}
    return [
        {"rule": rule, "title": titles[rule], "before": old[rule], "after": new[rule]}
        for rule in sorted(titles)
        if old[rule] != new[rule]
    ]

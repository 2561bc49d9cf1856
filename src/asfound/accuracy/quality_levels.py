"""Quality levels proposed for segments of a line, with the reasons and what the next one lacks.

A level is never assigned here: it is for the licensed professional in charge, who knows what no
file holds (records searched, features surveyed, a second technique).
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from functools import lru_cache
from importlib.resources import files
from itertools import pairwise

from asfound.accuracy.segments import KNOWN_BY, segments_of, stretch_of
from asfound.errors import InputError
from asfound.model import Line, Proposal, QualityLevel, Scheme, Segment, Verdict

ASSIGNED_BY = (
    "Proposed from the measurements alone; a licensed professional assigns the quality level."
)


@lru_cache(maxsize=1)
def schemes() -> tuple[Scheme, ...]:
    """All schemes that are known, from the package's own data."""
    text = files("asfound.accuracy").joinpath("quality_levels.toml").read_text("utf-8")
    return tuple(
        Scheme(
            entry["id"],
            entry["title"],
            entry["read"],
            entry["note"],
            tuple(QualityLevel(**level) for level in entry["level"]),
        )
        for entry in tomllib.loads(text)["scheme"]
    )


def scheme(name: str) -> Scheme:
    """One scheme by its id.

    Raises
    ------
    InputError
        If it is not known.
    """
    for candidate in schemes():
        if candidate.id == name:
            return candidate
    raise InputError(
        f"'{name}' is not a scheme of quality levels.",
        remedy=f"Use one of {', '.join(s.id for s in schemes())}.",
    )


_CUSTOMARY = {
    "United States": "asce-38-22",
    "United Kingdom": "pas-128",
    "Canada": "csa-s250",
    "Australia": "as-5488",
}


def usual_schemes(area: str) -> tuple[str, ...]:
    """Ids of the schemes that are customary somewhere; ASCE 38-22 where none is known to be.

    Parameters
    ----------
    area : str
        Name of a CRS's area of use in the registry, which starts with the country.
    """
    found = tuple(name for country, name in _CUSTOMARY.items() if area.startswith(country))
    return found or ("asce-38-22",)


def propose_level(
    segment: Segment, chosen: Scheme, *, verdict: Verdict = Verdict.SOUND
) -> Proposal:
    """The best level that a segment's evidence bears.

    Parameters
    ----------
    segment : Segment
    chosen : Scheme
    verdict : Verdict
        Of the line. Unfit: nothing is proposed. Doubtful: the proposal says so.
    """
    if verdict is Verdict.UNFIT and segment.known_by == "detected":
        return _proposal(
            chosen,
            segment,
            None,
            ("the line is unfit by its findings",),
            ("settle the findings, or locate it again",),
            None,
        )
    better: QualityLevel | None = None
    missing: tuple[str, ...] = ()
    for level in chosen.levels:
        lacking = _lacking(segment, level)
        if not lacking:
            reasons = [f"it is {_WAYS[segment.known_by]}"]
            if _below_detection(segment, level):
                reasons[0] += ", but less surely than the levels for detected lines ask"
            reasons += _met(segment, level)
            if verdict is Verdict.DOUBTFUL and segment.known_by == "detected":
                reasons.append("but the line is doubtful by its findings: settle them first")
            return _proposal(chosen, segment, level, tuple(reasons), missing, better)
        if level.needs != "surface-features" or segment.known_by not in ("exposed", "detected"):
            better, missing = level, lacking
    return _proposal(chosen, segment, None, ("no level fits",), missing, better)


def propose_levels(
    line: Line,
    chosen: Scheme,
    *,
    exposed: Sequence[tuple[str, float, float, float]] = (),
    gaps_known_by: str = "assumed",
    verdict: Verdict = Verdict.SOUND,
    shortest: float = 3.0,
) -> tuple[Proposal, ...]:
    """Proposals along a line: detected stretches are cut where the level changes.

    Parameters
    ----------
    line : Line
    chosen : Scheme
    exposed, gaps_known_by
        As `segments_of`.
    verdict : Verdict
    shortest : float
        A stretch shorter than this that would be better than what is beside it is counted to the
        worse neighbour [m].

    Returns
    -------
    tuple of Proposal
        By station; exposures are points within the stretches.
    """
    found: list[Proposal] = []
    for segment in segments_of(line, exposed=exposed, gaps_known_by=gaps_known_by):
        if segment.known_by != "detected" or verdict is Verdict.UNFIT:
            found.append(propose_level(segment, chosen, verdict=verdict))
            continue
        parts: list[Proposal] = []
        for start, end in _runs(line, segment, chosen, shortest):
            part = propose_level(stretch_of(line, start, end, "detected"), chosen, verdict=verdict)
            parts.append(part)
            while len(parts) > 1 and parts[-2].level == parts[-1].level:
                # limits that are shares of the depth can make neighbours alike
                whole = stretch_of(line, parts[-2].segment.start, end, "detected")
                both = propose_level(whole, chosen, verdict=verdict)
                if both.level != parts[-1].level:
                    break
                parts[-2:] = [both]
        found += parts
    return tuple(sorted(found, key=lambda item: (item.segment.start, item.segment.end)))


def _runs(
    line: Line, segment: Segment, chosen: Scheme, shortest: float
) -> list[tuple[float, float]]:
    """Stations between which a detected stretch has one level."""
    inside = line.axis_station
    inside = inside[(inside > segment.start + 1e-9) & (inside < segment.end - 1e-9)]
    cuts = [segment.start, *inside.tolist(), segment.end]
    rank = {level.name: k for k, level in enumerate(chosen.levels)}
    runs: list[tuple[float, float, int]] = []
    for start, end in pairwise(cuts):
        level = propose_level(stretch_of(line, start, end, "detected"), chosen).level
        place = rank[level.name] if level else len(rank)
        if runs and runs[-1][2] == place:
            runs[-1] = (runs[-1][0], end, place)
        else:
            runs.append((start, end, place))
    while len(runs) > 1:
        short = [
            k
            for k, (start, end, place) in enumerate(runs)
            if end - start < shortest and place < max(_beside(runs, k))
        ]
        if not short:
            break
        k = short[0]
        # to the worse neighbour; the run there then reaches over it
        left = k > 0 and (k + 1 == len(runs) or runs[k - 1][2] >= runs[k + 1][2])
        other = k - 1 if left else k + 1
        low, high = min(k, other), max(k, other)
        runs[low : high + 1] = [(runs[low][0], runs[high][1], runs[other][2])]
        for j in range(len(runs) - 1, 0, -1):
            if runs[j][2] == runs[j - 1][2]:
                runs[j - 1 : j + 1] = [(runs[j - 1][0], runs[j][1], runs[j][2])]
    return [(start, end) for start, end, _ in runs]


def _beside(runs: list[tuple[float, float, int]], k: int) -> list[int]:
    return [runs[j][2] for j in (k - 1, k + 1) if 0 <= j < len(runs)]


_WAYS = {
    "exposed": "exposed and measured at this point",
    "detected": "detected from the surface and surveyed",
    "surface-features": "not detected here; surface features are tied to records",
    "records": "not detected here; records show it",
    "assumed": "not detected here; only the line's run before and after suggests it",
}
_TO_DO = {
    "exposed": "expose it (by hand or vacuum) and survey the top",
    "detected": "detect it here and log shots",
    "surface-features": "survey its surface features and tie them to records",
    "records": "find records of it",
    "assumed": "a reason to believe that it is there",
}


def _below_detection(segment: Segment, level: QualityLevel) -> bool:
    """Whether a line that was detected is proposed for a level of lines that were not."""
    detected = KNOWN_BY.index("detected")
    return KNOWN_BY.index(segment.known_by) <= detected < KNOWN_BY.index(level.needs)


def _lacking(segment: Segment, level: QualityLevel) -> tuple[str, ...]:
    if KNOWN_BY.index(segment.known_by) > KNOWN_BY.index(level.needs):
        return (_TO_DO[level.needs],)
    if level.needs == "surface-features" and segment.known_by != level.needs:
        return (_TO_DO[level.needs],)  # detecting a line does not survey its valves and covers
    lacking = []
    for axis, size, limit, share in (
        ("horizontal", segment.horizontal_95, level.horizontal, level.horizontal_share),
        ("vertical", segment.vertical_95, level.vertical, level.vertical_share),
    ):
        allowed = _allowed(limit, share, segment.depth)
        if math.isnan(limit) and math.isnan(share):
            continue
        if not math.isfinite(size):
            lacking.append(f"a {axis} position: there is none here")
        elif math.isnan(allowed):
            lacking.append("a depth, of which the limit is a share")
        elif size > allowed:
            lacking.append(
                f"{axis} uncertainty is {size:.3f} m (95 %), the level allows {allowed:.3f} m"
            )
    return tuple(lacking)


def _allowed(limit: float, share: float, depth: float) -> float:
    """The greater of a length and a share of the depth [m]; NaN if it can't be told."""
    options = [limit, share * depth]
    known = [value for value in options if math.isfinite(value)]
    return max(known) if known else math.nan


def _met(segment: Segment, level: QualityLevel) -> list[str]:
    said = []
    for axis, size, limit, share in (
        ("horizontal", segment.horizontal_95, level.horizontal, level.horizontal_share),
        ("vertical", segment.vertical_95, level.vertical, level.vertical_share),
    ):
        if not math.isfinite(size):
            continue
        allowed = _allowed(limit, share, segment.depth)
        within = f" within {allowed:.3f} m" if math.isfinite(allowed) else ""
        said.append(f"{axis} uncertainty {size:.3f} m (95 %){within}")
    return said


def _proposal(
    chosen: Scheme,
    segment: Segment,
    level: QualityLevel | None,
    reasons: tuple[str, ...],
    lacking: tuple[str, ...],
    better: QualityLevel | None,
) -> Proposal:
    if segment.start == segment.end:
        where = f"{segment.line} at {segment.start:.2f} m"
    else:
        where = f"{segment.line} from {segment.start:.2f} to {segment.end:.2f} m"
    said = f"level {level.name} proposed" if level else "no level proposed"
    words = f"{where}: {said}, as {', '.join(reasons)}."
    if better is not None and lacking:
        words += f" For level {better.name}: {'; '.join(lacking)}."
    elif lacking:
        words += f" To do: {'; '.join(lacking)}."
    return Proposal(chosen, segment, level, reasons, lacking, better, f"{words} {ASSIGNED_BY}")

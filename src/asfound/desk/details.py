"""What the desk says of one shot, line, sweep or dig: plain records made of results.

Lengths are metres, times ISO 8601 in UTC, missing values null; the page turns lengths into the
reader's unit. Nothing here reads a file or a database.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.budget import NORMAL_95, explain_shot
from asfound.deliver.finding_columns import detail_text
from asfound.deliver.report.sweeps import COIL_WORDS, fitted_readings
from asfound.deliver.shapes import envelope_95
from asfound.em import current_along_lines
from asfound.errors import InputError
from asfound.model import (
    Crossing,
    DigClearance,
    ExposureAdvice,
    ExposureComparison,
    Finding,
    Fix,
    Line,
    Method,
    Results,
    Severity,
    Utility,
    Verdict,
)
from asfound.units import METRE

Floats = npt.NDArray[np.float64]
Json = dict[str, Any]

_CURVE_POINTS = 161
_MOST_PAGE = 1000


def number(value: float, decimals: int = 4) -> float | None:
    """A finite number, or null."""
    return round(float(value), decimals) + 0.0 if np.isfinite(value) else None


def numbers(values: npt.ArrayLike, decimals: int = 4) -> list[float | None]:
    """A list of finite numbers and nulls."""
    array = np.asarray(values, np.float64)
    rounded: list[float | None] = (np.round(array, decimals) + 0.0).tolist()
    for k in np.flatnonzero(~np.isfinite(array)).tolist():
        rounded[k] = None
    return rounded


def find_shot(results: Results, name: str) -> int:
    """Index of a shot by its name in the job, such as ``'A-17'``.

    Raises
    ------
    InputError
        If the job has no such shot.
    """
    tag, _, row = name.rpartition("-")
    tags = [source.tag for source in results.intake.sources]
    if tag in tags and row.isascii() and row.isdigit():
        shots = results.intake.shots
        found = np.flatnonzero((shots.source == tags.index(tag)) & (shots.row == int(row)))
        if len(found):
            return int(found[0])
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


def shot_detail(results: Results, index: int, raw: Sequence[tuple[str, str]] = ()) -> Json:
    """Values, error budget, findings with remedies, decisions and raw row of one shot.

    Parameters
    ----------
    results : Results
    index : int
        Of the shot.
    raw : sequence of (title, cell)
        Its row as it stands in the upload (`asfound.folder.raw_row`).
    """
    shots, ground, budget = results.intake.shots, results.ground, results.budget
    source = results.intake.sources[shots.source[index]]
    taken = next((item for item in results.corrections if item.shot == index), None)
    body = shot_row(results, index)
    body |= {
        "file": source.file,
        "file_line": int(shots.line_number[index]),
        "name_in_upload": shots.name.word(index),
        "line_in_upload": shots.line.word(index),
        "note": shots.note.word(index),
        "longitude": number(ground.longitude[index], 9),
        "latitude": number(ground.latitude[index], 9),
        "ground_height_m": number(ground.height[index]),
        "vertical_reference": ground.vertical_reference,
        "operation": ground.operations[ground.operation[index]].name,
        "epoch_of_observation": number(ground.epoch[index], 3),
        "combined_factor": number(ground.combined_factor[index], 9),
        "depth_read_m": number(shots.depth[index]),
        "depth_from": "" if taken is None else taken.reason,
        "moved_left_m": 0.0 if taken is None else number(taken.shift_left),
        "centre_height_m": number(budget.centre_height[index]),
        "outside_diameter_m": number(budget.outside_diameter[index]),
        "ellipse_major_m": number(budget.ellipse[index, 0]),
        "ellipse_minor_m": number(budget.ellipse[index, 1]),
        "ellipse_bearing": number(np.degrees(budget.ellipse[index, 2]) % 180.0, 1),
        "current_a": number(shots.current[index], 6),
        "frequency_hz": number(shots.frequency[index], 1),
        "signal_db": number(shots.signal[index], 1),
        "peak_null_separation_m": number(shots.peak_null_separation[index]),
        "antenna_height_m": number(shots.antenna_height[index]),
        "tilt_deg": number(np.degrees(shots.tilt[index]), 2),
        "satellites": int(shots.satellites[index]) if shots.satellites[index] >= 0 else None,
        "pdop": number(shots.pdop[index], 2),
        "correction_age_s": number(shots.correction_age[index], 1),
        "base_distance_m": number(shots.base_distance[index], 1),
        "budget": [
            {
                "name": term.name,
                "title": term.title,
                "basis": term.basis,
                "horizontal_sd_m": number(term.horizontal_sd, 5),
                "vertical_sd_m": number(term.vertical_sd, 5),
                "horizontal_share": number(term.horizontal_share, 5),
                "vertical_share": number(term.vertical_share, 5),
                "shared": term.shared,
            }
            for term in explain_shot(budget, index)
        ],
        "findings": findings_about(results, "shot", index),
        "decisions": [
            _decision(results, k) for k, item in enumerate(results.decided) if index in item.shots
        ],
        "control_check": _control_check(results, index),
        "raw": [{"column": title, "cell": cell} for title, cell in raw],
    }
    return body


def shot_row(results: Results, index: int) -> Json:
    """The few facts of a shot that a list shows."""
    shots, ground = results.intake.shots, results.ground
    source = results.intake.sources[shots.source[index]]
    line = int(results.assembly.line[index])
    when = shots.time[index]
    return {
        "shot": results.shot_name(index),
        "key": [source.sha256, int(shots.row[index])],
        "verdict": Verdict(int(results.verdict[index])).word,
        "utility": Utility(int(shots.utility[index])).word,
        "line": results.assembly.names[line] if line >= 0 else "",
        "control": shots.control.word(index),
        "easting_m": number(ground.easting[index]),
        "northing_m": number(ground.northing[index]),
        "depth_m": number(results.depth[index]),
        "horizontal_95_m": number(results.budget.horizontal_95[index]),
        "vertical_95_m": number(results.budget.vertical_95[index]),
        "hookup": shots.hookup.word(index) or source.hookup,
        "receiver": shots.receiver.word(index) or source.receiver,
        "method": Method(int(shots.method[index])).word,
        "fix": Fix(int(shots.fix[index])).word,
        "time": None if np.isnat(when) else f"{np.datetime_as_string(when, unit='s')}Z",
    }


def shots_page(
    results: Results,
    *,
    page: int = 1,
    size: int = 100,
    verdict: str = "",
    line: str = "",
    text: str = "",
) -> Json:
    """One page of the shots, in the order they came in.

    Parameters
    ----------
    page, size : int
        From 1; at most 1000 a page.
    verdict, line : str
        Only those; empty for all. ``line="-"``: shots on no line.
    text : str
        Only shots whose name, field name, line, hook-up, receiver, control point or note holds it.

    Raises
    ------
    InputError
        If a parameter is out of range.
    """
    if page < 1 or not 1 <= size <= _MOST_PAGE:
        raise InputError(
            f"page {page} of {size} shots can't be given.",
            where="page",
            remedy=f"Pages count from 1; size is 1 to {_MOST_PAGE}.",
        )
    chosen = np.ones(len(results.verdict), bool)
    if verdict:
        words = {one.word: int(one) for one in Verdict}
        if verdict not in words:
            raise InputError(
                f"'{verdict}' is no verdict.",
                where="verdict",
                remedy=f"Use {', '.join(words)}.",
            )
        chosen &= results.verdict == words[verdict]
    if line:
        code = -1 if line == "-" else find_line(results, line)
        chosen &= results.assembly.line == code
    if text:
        chosen &= _holding(results, text.casefold())
    found = np.flatnonzero(chosen)
    part = found[(page - 1) * size : page * size].tolist()
    return {
        "page": page,
        "size": size,
        "count": len(found),
        "pages": -(-len(found) // size),
        "shots": [shot_row(results, index) for index in part],
    }


def _holding(results: Results, wanted: str) -> npt.NDArray[np.bool_]:
    """(n,) bool: shots with a word that holds `wanted`."""
    shots = results.intake.shots
    found = np.zeros(len(shots), bool)
    for labels in (
        shots.name, shots.line, shots.hookup, shots.receiver, shots.control, shots.note
    ):  # fmt: skip
        hits = [k for k, name in enumerate(labels.names) if wanted in name.casefold()]
        found |= np.isin(labels.codes, hits)
    lines = [k for k, name in enumerate(results.assembly.names) if wanted in name.casefold()]
    found |= np.isin(results.assembly.line, lines)
    tag, _, row = wanted.rpartition("-")
    for k, source in enumerate(results.intake.sources):
        if source.tag.casefold() == tag and row.isascii() and row.isdigit():
            found |= (shots.source == k) & (shots.row == int(row))
    return found


def findings_list(results: Results) -> list[Json]:
    """All findings, the gravest first, with what they are about and what to do."""
    place = {id(o.rule): k for k, o in enumerate(results.findings.outcomes)}
    ordered = sorted(results.findings, key=lambda f: (-int(f.severity), place[id(f.rule)], f.index))
    return [_finding(results, finding) for finding in ordered]


def findings_about(results: Results, subject: str, index: int) -> list[Json]:
    """Findings about one shot, line or upload (by index)."""
    found = []
    for outcome in results.findings.outcomes:
        if outcome.rule.subject != subject:
            continue
        for k in np.flatnonzero(outcome.index == index).tolist():
            finding = Finding(
                outcome.rule,
                index,
                Severity(int(outcome.severity[k])),
                float(outcome.value[k]),
                float(outcome.limit[k]),
                outcome.unit,
                outcome.detail[k] if outcome.detail else "",
            )
            found.append(_finding(results, finding))
    return found


def _finding(results: Results, finding: Finding) -> Json:
    rule = finding.rule
    subject = {
        "shot": lambda: results.shot_name(finding.index),
        "line": lambda: results.assembly.names[finding.index],
        "source": lambda: results.intake.sources[finding.index].tag,
    }.get(rule.subject, lambda: "")()
    return {
        "rule": rule.id,
        "title": rule.title,
        "severity": Severity(int(finding.severity)).word,
        "about": rule.subject,
        "subject": subject,
        "index": finding.index,
        "detail": detail_text(finding, METRE),
        "checks": rule.checks,
        "threshold": rule.threshold,
        "basis": rule.basis,
        "remedy": rule.remedy,
    }


def _decision(results: Results, number_of: int) -> Json:
    item = results.decided[number_of]
    return {
        "id": item.decision.id,
        "kind": item.decision.kind,
        "value": item.decision.value,
        "who": item.decision.who,
        "when": item.decision.when.isoformat(),
        "why": item.decision.why,
        "done": item.done,
        "outcome": item.words,
    }


def _control_check(results: Results, index: int) -> Json | None:
    """Measured less known of a shot on a control point."""
    word = results.intake.shots.control.word(index)
    if not word:
        return None
    known = next(
        (p for p in results.settings.control if p.name.casefold() == word.casefold()), None
    )
    if known is None:
        return {"point": word, "known": False}
    ground = results.ground
    return {
        "point": known.name,
        "known": True,
        "east_m": number(ground.easting[index] - known.easting),
        "north_m": number(ground.northing[index] - known.northing),
        "up_m": number(ground.height[index] - known.height),
    }


def line_detail(results: Results, index: int) -> Json:
    """A line's profile with envelope, its shots, crossings, and the current along it."""
    line = results.lines[index]
    across, up = envelope_95(line.covariance, line.bearing)
    shots = line.shots
    return {
        "line": line.name,
        "index": index,
        "utility": line.utility.word,
        "verdict": Verdict(int(results.line_verdict[index])).word,
        "length_m": number(line.length),
        "outside_diameter_m": number(line.outside_diameter),
        "axis": {
            "station_m": numbers(line.axis_station),
            "easting_m": numbers(line.easting),
            "northing_m": numbers(line.northing),
            "height_m": numbers(line.height),
            "ground_height_m": numbers(line.ground_height),
            "across_95_m": numbers(across),
            "vertical_95_m": numbers(up),
        },
        "shots": {
            "index": shots.tolist(),
            "shot": [results.shot_name(k) for k in shots.tolist()],
            "station_m": numbers(line.station),
            "ground_height_m": numbers(results.ground.height[shots]),
            "centre_height_m": numbers(results.budget.centre_height[shots]),
            "vertical_95_m": numbers(results.budget.vertical_95[shots]),
            "left_m": numbers(line.residual[:, 1]),
            "up_m": numbers(line.residual[:, 2]),
            "verdict": [Verdict(k).word for k in results.verdict[shots].tolist()],
            "used": line.used.tolist(),
            "current_a": numbers(results.intake.shots.current[shots], 6),
        },
        "gaps_m": [numbers(gap) for gap in line.gaps],
        "bends": [
            {"station_m": number(s), "deflection_deg": number(np.degrees(a), 2)}
            for s, a in line.bends.tolist()
        ],
        "crossings": [
            crossing_body(results, c) for c in results.crossings if index in (c.line_a, c.line_b)
        ],
        "current": _current(results, line),
        "findings": findings_about(results, "line", index),
    }


def crossing_body(results: Results, crossing: Crossing) -> Json:
    """Two lines that cross, the upper one first where heights are known."""
    a, b = results.lines[crossing.line_a], results.lines[crossing.line_b]
    return {
        "upper": a.name,
        "lower": b.name,
        "upper_index": crossing.line_a,
        "lower_index": crossing.line_b,
        "upper_utility": a.utility.word,
        "lower_utility": b.utility.word,
        "upper_station_m": number(crossing.station_a),
        "lower_station_m": number(crossing.station_b),
        "upper_height_m": _height_at(a, crossing.station_a),
        "lower_height_m": _height_at(b, crossing.station_b),
        "easting_m": number(crossing.easting),
        "northing_m": number(crossing.northing),
        "separation_m": number(crossing.separation),
        "separation_95_m": number(NORMAL_95 * crossing.separation_sd),
        "surface_separation_m": number(crossing.surface_separation),
        "angle_deg": number(np.degrees(crossing.angle), 1),
        "order_certainty": number(crossing.order_certainty, 4),
    }


def _height_at(line: Line, station: float) -> float | None:
    return number(float(np.interp(station, line.axis_station, line.height)))


def _current(results: Results, line: Line) -> Json | None:
    """Decay fit and steps of the current along a line; None without enough readings."""
    current = results.intake.shots.current[line.shots]
    usable = np.isfinite(current) & (current > 0) & np.isfinite(line.station)
    if np.count_nonzero(usable) < 3:
        return None
    station = line.station[usable]
    fit = current_along_lines(station, current[usable], offset=line.residual[usable, 1])
    order = np.argsort(station, kind="stable")
    events = fit.events
    return {
        "station_m": numbers(station[order]),
        "fitted_a": numbers(fit.fitted[order], 6),
        "piece": fit.piece[order].tolist(),
        "decay_length_m": number(1.0 / fit.decay[0], 1) if fit.decay[0] else None,
        "events": [
            {
                "station_m": number(float(events.station[k])),
                "ratio": number(float(events.ratio[k])),
                "kind": _event_word(int(events.kind[k])),
            }
            for k in range(len(events.station))
        ],
    }


def _event_word(code: int) -> str:
    from asfound.em import EventKind

    return EventKind(code).word


def sweep_detail(results: Results, index: int) -> Json:
    """A sweep's readings, the conductors found, and what they would give as readings."""
    located = results.sweeps[index]
    sweep = results.intake.sweeps[located.sweep]
    low, high = float(np.min(sweep.position)), float(np.max(sweep.position))
    margin = 0.05 * (high - low)
    position = np.linspace(low - margin, high + margin, _CURVE_POINTS)
    series = []
    for coil in np.unique(sweep.coil).tolist():
        for height in np.unique(sweep.coil_height[sweep.coil == coil]).tolist():
            mine = np.flatnonzero((sweep.coil == coil) & (sweep.coil_height == height))
            curve = fitted_readings(sweep, located, position, coil, height)
            series.append(
                {
                    "coil": COIL_WORDS[coil],
                    "coil_height_m": number(height),
                    "position_m": numbers(sweep.position[mine]),
                    "value": numbers(sweep.value[mine], 6),
                    "left_out": (located.outlier | sweep.saturated)[mine].tolist(),
                    "curve": numbers(curve, 6),
                }
            )
    return {
        "sweep": located.name,
        "index": index,
        "line": results.assembly.names[located.line] if located.line >= 0 else "",
        "utility": sweep.utility.word,
        "unit": sweep.unit,
        "time": None if np.isnat(sweep.time) else f"{np.datetime_as_string(sweep.time, unit='s')}Z",
        "usable": not located.reason,
        "explained": located.explained,
        "reason": located.reason,
        "words": list(located.words),
        "p_value": number(located.p_value, 6),
        "length_m": number(sweep.length),
        "start": numbers(located.start),
        "end": numbers(located.end),
        "target": located.target,
        "shown_peak_m": number(located.shown_peak),
        "shown_null_m": number(located.shown_null),
        "shown_depth_m": number(located.shown_depth),
        "curve_position_m": numbers(position),
        "series": series,
        "conductors": [
            {
                "position_m": number(c.position),
                "depth_m": number(c.depth),
                "position_95_m": number(NORMAL_95 * c.position_sd),
                "depth_95_m": number(NORMAL_95 * c.depth_sd),
                "current_a": number(c.current, 6),
                "easting_m": number(c.easting),
                "northing_m": number(c.northing),
            }
            for c in located.conductors
        ],
        "corrected": [
            {
                "shot": results.shot_name(c.shot),
                "index": c.shot,
                "moved_left_m": number(c.shift_left),
                "depth_before_m": number(c.depth_before),
                "depth_m": number(c.depth),
                "reason": c.reason,
            }
            for c in results.corrections
            if c.located == index
        ],
    }


def dig_detail(found: DigClearance) -> Json:
    """A planned dig against every line near it; never leave to dig."""
    dig = found.dig
    return {
        "name": dig.name,
        "kind": dig.kind,
        "installs": dig.installs.word,
        "risk": number(found.risk, 6),
        "searched_share": number(found.searched),
        "reach_m": number(found.reach),
        "words": list(found.words),
        "approaches": [
            {
                "line": near.line,
                "line_index": near.line_index,
                "utility": near.utility.word,
                "source": near.source,
                "crosses": near.crosses,
                "clearance_m": number(near.clearance),
                "clearance_5_m": number(near.clearance_range[0]),
                "clearance_95_m": number(near.clearance_range[2]),
                "horizontal_m": number(near.horizontal),
                "vertical_m": number(near.vertical),
                "line_below": near.line_below,
                "line_station_m": number(near.line_station),
                "dig_station_m": number(near.dig_station),
                "line_point": numbers(near.line_point),
                "dig_point": numbers(near.dig_point),
                "p_contact": number(near.p_contact, 6),
                "p_breach": number(near.p_breach, 6),
                "rule": near.rule.title if near.rule else "",
                "rules": [
                    {
                        "title": answer.rule.title,
                        "citation": answer.rule.citation,
                        "jurisdiction": answer.rule.jurisdiction,
                        "from_memory": answer.rule.from_memory,
                        "shortfall_m": number(answer.shortfall),
                        "p_breach": number(answer.p_breach, 6),
                    }
                    for answer in near.rules
                ],
                "diameter": near.diameter_basis,
                "depth": near.depth_basis,
                "unsupported": near.unsupported,
                "risk": number(near.risk, 6),
                "words": list(near.words),
            }
            for near in found.approaches
        ],
        "cautions": list(found.cautions),
    }


def advice_detail(advice: ExposureAdvice) -> Json:
    """Where an exposure would settle most."""
    return {
        "places": [
            {
                "line": place.line,
                "line_index": place.line_index,
                "station_m": number(place.station),
                "easting_m": number(place.easting),
                "northing_m": number(place.northing),
                "expected_reduction": number(float(gain), 6),
            }
            for place, gain in zip(advice.chosen, advice.reduction, strict=True)
        ],
        "words": list(advice.words),
    }


def comparison_detail(item: ExposureComparison) -> Json:
    """What was expected of a line before it was exposed, and what was found."""
    seen = item.exposure
    return {
        "name": seen.name,
        "line": seen.line,
        "easting_m": number(seen.easting),
        "northing_m": number(seen.northing),
        "top_depth_m": number(seen.top_depth),
        "outside_diameter_m": number(seen.outside_diameter),
        "when": seen.when.isoformat() if seen.when else None,
        "who": seen.who,
        "method": seen.method,
        "station_m": number(item.station),
        "left_m": number(item.left),
        "up_m": number(item.up),
        "em_depth_error_m": number(item.em_depth_error),
        "contradicted": item.contradicted,
        "words": item.words,
    }

"""One shot in full, and pages of shots."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from asfound.budget import explain_shot
from asfound.deliver.results_json import decision_record
from asfound.desk.details._json import Json, number
from asfound.desk.details.finding import find_line
from asfound.desk.details.findings import findings_about
from asfound.errors import InputError
from asfound.model import Fix, Method, Results, Utility, Verdict

_MOST_PAGE = 1000


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
            decision_record(item, [results.shot_name(k) for k in item.shots])
            for item in results.decided
            if index in item.shots
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

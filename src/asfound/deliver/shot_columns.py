"""The table of shots: every row that was accepted, with what is known of it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from asfound.deliver.about import SHORT_CAUTION
from asfound.deliver.columns import (
    Column,
    Table,
    Value,
    degrees,
    grid,
    integer,
    length,
    number,
    text,
    time_text,
)
from asfound.deliver.delivery import Delivery
from asfound.model import Fix, Labels, Method, Utility, Verdict

Floats = npt.NDArray[np.float64]
Words = Callable[[Delivery], list[Value]]


def constant(word: Callable[[Delivery], str], count: Callable[[Delivery], int]) -> Words:
    """The same word in every row."""
    return lambda delivery: [word(delivery)] * count(delivery)


def code_words(codes: npt.NDArray[np.integer], words: dict[int, str]) -> list[Value]:
    """Words of small integer codes."""
    return [words.get(code, "") for code in codes.tolist()]


UTILITY_WORDS = {int(utility): utility.word for utility in Utility}
VERDICT_WORDS = {int(verdict): verdict.word for verdict in Verdict}
_METHOD_WORDS = {int(method): method.word for method in Method}
_FIX_WORDS = {int(fix): fix.word for fix in Fix}


def shot_roles(delivery: Delivery) -> list[Value]:
    """What a shot was taken for."""
    control = delivery.results.intake.shots.control.codes >= 0
    on_line = delivery.results.assembly.line >= 0
    return [
        "control check" if c else "on line" if line else "not on a line"
        for c, line in zip(control.tolist(), on_line.tolist(), strict=True)
    ]


def shot_findings(delivery: Delivery) -> tuple[list[Value], list[Value]]:
    """Rule ids and titles of each shot's findings, gravest first, joined by semicolons."""
    count = len(delivery.shot_names)
    found: list[list[tuple[int, str, str]]] = [[] for _ in range(count)]
    for outcome in delivery.results.findings.outcomes:
        if outcome.rule.subject == "shot":
            for index, severity in zip(
                outcome.index.tolist(), outcome.severity.tolist(), strict=True
            ):
                found[index].append((-severity, outcome.rule.id, outcome.rule.title))
    ids: list[Value] = []
    titles: list[Value] = []
    for items in found:
        items = list(dict.fromkeys(sorted(items)))
        ids.append("; ".join(rule for _, rule, _ in items))
        titles.append("; ".join(title for _, _, title in items))
    return ids, titles


def shot_decisions(delivery: Delivery) -> list[Value]:
    """Decisions about each shot in words, the last one last."""
    said: list[list[str]] = [[] for _ in delivery.shot_names]
    for outcome in delivery.results.decided:
        decision = outcome.decision
        value = f" {decision.value}" if decision.value else ""
        for index in outcome.shots:
            said[index].append(f"{decision.kind}{value} ({decision.who}: {decision.why})")
    return ["; ".join(items) for items in said]


def _line_names(delivery: Delivery) -> list[Value]:
    names = np.array([*delivery.results.assembly.names, ""], object)
    return list(names[delivery.results.assembly.line])


def _source_words(delivery: Delivery, attribute: str) -> list[Value]:
    words = [str(getattr(source, attribute)) for source in delivery.results.intake.sources]
    return [words[index] for index in delivery.results.intake.shots.source.tolist()]


def _labels(name: str) -> Words:
    def words(delivery: Delivery) -> list[Value]:
        labels: Labels = getattr(delivery.results.intake.shots, name)
        return list(labels.words())

    return words


def _with_default(name: str) -> Words:
    """A label of the row, else its upload's default."""

    def words(delivery: Delivery) -> list[Value]:
        own = _labels(name)(delivery)
        default = _source_words(delivery, name)
        return [mine or theirs for mine, theirs in zip(own, default, strict=True)]

    return words


def _shots(name: str, scale: float = 1.0) -> Callable[[Delivery], Floats]:
    return lambda delivery: np.asarray(getattr(delivery.results.intake.shots, name)) * scale


def _ground(name: str) -> Callable[[Delivery], Floats]:
    return lambda delivery: np.asarray(getattr(delivery.results.ground, name))


def _budget(name: str) -> Callable[[Delivery], Floats]:
    return lambda delivery: np.asarray(getattr(delivery.results.budget, name))


def _sd(axis: int) -> Callable[[Delivery], Floats]:
    return lambda delivery: np.sqrt(delivery.results.budget.covariance[:, axis, axis])


def _ellipse(part: int) -> Callable[[Delivery], Floats]:
    return lambda delivery: delivery.results.budget.ellipse[:, part]


def _bearing(delivery: Delivery) -> Floats:
    # An ellipse's axis has no direction: 0 to 180 degrees.
    return np.degrees(delivery.results.budget.ellipse[:, 2]) % 180.0


def _top_height(delivery: Delivery) -> Floats:
    budget = delivery.results.budget
    return budget.centre_height + budget.outside_diameter / 2.0


def _depth_from(delivery: Delivery) -> list[Value]:
    known = np.isfinite(delivery.results.depth).tolist()
    words: list[Value] = ["reading" if k else "" for k in known]
    for correction in delivery.results.corrections:
        words[correction.shot] = f"sweep {delivery.results.sweeps[correction.located].name}"
    return words


def _moved_left(delivery: Delivery) -> Floats:
    moved = np.full(len(delivery.shot_names), np.nan)
    for correction in delivery.results.corrections:
        moved[correction.shot] = correction.shift_left
    return moved


def _satellites(delivery: Delivery) -> list[Value]:
    counts = delivery.results.intake.shots.satellites.tolist()
    return [None if count < 0 else count for count in counts]


def _count(delivery: Delivery) -> int:
    return len(delivery.shot_names)


SHOTS = Table(
    "shots",
    "Shots",
    "one shot that was accepted, in the order received",
    (
        text(
            "Shot",
            "shot",
            "SHOT",
            "Name in the job: the upload's letter and the row in it.",
            lambda d: list(d.shot_names),
        ),
        text(
            "Utility",
            "utility",
            "UTILITY",
            "What the line carries: unknown, electric, gas, "
            "communication, water, reclaimed or sewer.",
            lambda d: code_words(d.results.intake.shots.utility, UTILITY_WORDS),
        ),
        text("Line", "line", "LINE", "Line the shot was joined into; empty if none.", _line_names),
        text(
            "Role",
            "role",
            "ROLE",
            "On line, control check (a point of known coordinates), or not on a line.",
            shot_roles,
        ),
        text(
            "Verdict",
            "verdict",
            "VERDICT",
            "Sound, doubtful or unfit: of the measurement, not of the ground.",
            lambda d: code_words(d.results.verdict, VERDICT_WORDS),
        ),
        text(
            "Findings",
            "findings",
            "FINDINGS",
            "Ids of the rules that object, gravest first.",
            lambda d: shot_findings(d)[0],
        ),
        text(
            "Findings in words",
            "findings_in_words",
            "FIND_WORDS",
            "Titles of the same rules.",
            lambda d: shot_findings(d)[1],
        ),
        text(
            "Decision",
            "decision",
            "DECISION",
            "What people decided about the shot, who and why; the raw row stays as it was.",
            shot_decisions,
        ),
        length(
            "Station",
            "station",
            "STN",
            "Along the line's axis from its first end.",
            lambda d: d.station,
        ),
        degrees(
            "Line bearing",
            "line_bearing",
            "LINE_BRG",
            "Grid bearing of the line at the shot.",
            lambda d: np.degrees(d.results.assembly.bearing) % 360.0,
        ),
        grid(
            "Easting",
            "easting",
            "E",
            "Grid easting of the shot, in the CRS's own unit.",
            _ground("easting"),
        ),
        grid(
            "Northing",
            "northing",
            "N",
            "Grid northing of the shot, in the CRS's own unit.",
            _ground("northing"),
        ),
        degrees(
            "Longitude",
            "longitude",
            "LON",
            "In the CRS's geographic base, east positive.",
            _ground("longitude"),
            9,
        ),
        degrees(
            "Latitude",
            "latitude",
            "LAT",
            "In the CRS's geographic base, north positive.",
            _ground("latitude"),
            9,
        ),
        length(
            "Ground height",
            "ground_height",
            "GRND",
            "Ground under the pole's tip, above the vertical reference.",
            _ground("height"),
        ),
        length(
            "Ellipsoidal height",
            "ellipsoidal_height",
            "ELLH",
            "The same ground point above the ellipsoid.",
            _ground("ellipsoidal_height"),
        ),
        length(
            "Depth",
            "depth",
            "DEPTH",
            "Ground to the centre of the current, as used: the reading, or what a sweep beside "
            "the shot found; empty if there is neither.",
            lambda d: d.results.depth,
        ),
        length(
            "Depth as read",
            "depth_read",
            "DREAD",
            "The receiver's reading, untouched; empty if none was logged.",
            _shots("depth"),
        ),
        text(
            "Depth from",
            "depth_from",
            "DEPTH_FROM",
            "Reading, or the sweep that place and depth were taken from.",
            _depth_from,
        ),
        length(
            "Moved left",
            "moved_left",
            "MOVEL",
            "How far the shot was moved to the left of its line because of a sweep; empty if not.",
            _moved_left,
        ),
        length(
            "Centre height",
            "centre_height",
            "CENT",
            "Ground height less depth.",
            _budget("centre_height"),
        ),
        length(
            "Outside diameter",
            "outside_diameter",
            "OD",
            "Nominal size, if declared.",
            _budget("outside_diameter"),
        ),
        length(
            "Top height",
            "top_height",
            "TOP",
            "Centre height plus half the outside diameter; empty if the size is not declared.",
            _top_height,
        ),
        length(
            "Horizontal 95 %",
            "horizontal_95",
            "H95",
            "Radius of the circle that holds the conductor's true centre with 95 %.",
            _budget("horizontal_95"),
        ),
        length(
            "Vertical 95 %",
            "vertical_95",
            "V95",
            "Half the height of the interval that holds the centre's true height with 95 %.",
            _budget("vertical_95"),
        ),
        length(
            "Ellipse semi-major 95 %",
            "ellipse_major_95",
            "MAJ95",
            "Longer half-axis of the 95 % error ellipse.",
            _ellipse(0),
        ),
        length(
            "Ellipse semi-minor 95 %",
            "ellipse_minor_95",
            "MIN95",
            "Shorter half-axis of the 95 % error ellipse.",
            _ellipse(1),
        ),
        degrees(
            "Ellipse bearing",
            "ellipse_bearing",
            "ELL_BRG",
            "Grid bearing of the longer axis, 0 to 180.",
            _bearing,
        ),
        length("East sd", "east_sd", "SDE", "Standard deviation along grid east.", _sd(0)),
        length("North sd", "north_sd", "SDN", "Standard deviation along grid north.", _sd(1)),
        length("Up sd", "up_sd", "SDU", "Standard deviation of the centre's height.", _sd(2)),
        number(
            "Combined factor",
            "combined_factor",
            "COMB_FACT",
            "Grid distance divided by ground distance.",
            _ground("combined_factor"),
            9,
        ),
        text(
            "Receiver", "receiver", "RECEIVER", "Serial of the receiver.", _with_default("receiver")
        ),
        text(
            "Hook-up",
            "hookup",
            "HOOKUP",
            "Transmitter, method, frequency and target, by name.",
            _with_default("hookup"),
        ),
        text(
            "Method",
            "method",
            "METHOD",
            "How the signal got onto the line.",
            lambda d: code_words(d.results.intake.shots.method, _METHOD_WORDS),
        ),
        number(
            "Frequency", "frequency", "FREQ_HZ", "Of the signal.", _shots("frequency"), 1, "hertz"
        ),
        number(
            "Current",
            "current",
            "CURRENT_MA",
            "Reading of the receiver.",
            _shots("current", 1e3),
            3,
            "ampere",
        ),
        Column(
            "time",
            "TIME_UTC",
            "Time",
            "time",
            "UTC, ISO 8601.",
            lambda d: time_text(d.results.intake.shots.time),
        ),
        text(
            "Fix",
            "fix",
            "FIX",
            "Kind of GNSS solution.",
            lambda d: code_words(d.results.intake.shots.fix, _FIX_WORDS),
        ),
        integer("Satellites", "satellites", "SATS", "In use.", _satellites),
        text(
            "Control point",
            "control_point",
            "CONTROL",
            "Point of known coordinates this shot was a check on.",
            _labels("control"),
        ),
        text(
            "Name in upload",
            "name_in_upload",
            "NAME_UPL",
            "Point name or number as logged.",
            _labels("name"),
        ),
        text(
            "Line in upload", "line_in_upload", "LINE_UPL", "Line name as logged.", _labels("line")
        ),
        text("Note", "note", "NOTE", "As logged.", _labels("note")),
        text(
            "Upload",
            "upload",
            "UPLOAD",
            "File the row came from.",
            lambda d: _source_words(d, "file"),
        ),
        integer(
            "Row",
            "row",
            "ROW",
            "Data row in that file, from 1.",
            lambda d: d.results.intake.shots.row,
        ),
        integer(
            "Line number",
            "line_number",
            "LINE_NO",
            "Physical line (or feature number) in that file.",
            lambda d: d.results.intake.shots.line_number,
        ),
        text(
            "Epoch",
            "epoch",
            "EPOCH",
            "Epoch of the coordinates in this row.",
            constant(lambda d: d.about.epoch, _count),
        ),
        number(
            "Observed",
            "observed",
            "OBSERVED",
            "Epoch at which a position in a dynamic frame was observed and brought over, decimal "
            "year; empty where the upload's frame needs none.",
            _ground("epoch"),
            3,
            "year",
        ),
        text(
            "CRS", "crs", "CRS", "Of easting and northing.", constant(lambda d: d.about.crs, _count)
        ),
        text(
            "Vertical reference",
            "vertical_reference",
            "VERT_REF",
            "Of heights.",
            constant(lambda d: d.about.vertical_reference, _count),
        ),
        text(
            "Caution",
            "caution",
            "CAUTION",
            "Reminder; read the cautions in full before use.",
            constant(lambda d: SHORT_CAUTION, _count),
        ),
    ),
)

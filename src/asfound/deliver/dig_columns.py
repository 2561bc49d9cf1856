"""The tables of digs, of lines near them, of exposures, and of where to expose."""

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
)
from asfound.deliver.delivery import Delivery
from asfound.deliver.shot_columns import constant
from asfound.model import (
    Approach,
    CandidateExposure,
    DigClearance,
    DigReport,
    Exposure,
    ExposureComparison,
)
from asfound.units import lengths_in

Floats = npt.NDArray[np.float64]

LEAST_CHANCE = 1e-6
"""No probability is handed over as nought or one: nothing is that sure."""


def chance(p: float) -> float:
    """A probability between `LEAST_CHANCE` and one less it; NaN stays."""
    return p if p != p else min(max(p, LEAST_CHANCE), 1.0 - LEAST_CHANCE)


def dig_rows(delivery: Delivery) -> tuple[DigClearance, ...]:
    """Every dig that was checked."""
    return delivery.results.digs.digs if delivery.results.digs else ()


def approach_rows(delivery: Delivery) -> list[tuple[int, DigClearance, Approach]]:
    """Every line near a dig: the dig's place, the dig, the line."""
    return [
        (k, item, near) for k, item in enumerate(dig_rows(delivery)) for near in by_contact(item)
    ]


def by_contact(item: DigClearance) -> tuple[Approach, ...]:
    """Lines near a dig as people need them: the likeliest touched first, then the nearest.

    `Approach.risk` is the cost of not knowing; a conflict that is sure costs nothing more to know
    but must stand first.
    """
    return tuple(
        sorted(item.approaches, key=lambda near: (-chance(near.p_contact), near.clearance))
    )


def exposure_rows(delivery: Delivery) -> list[tuple[Exposure, ExposureComparison | None]]:
    """Every exposure, and what it said of its line; None where it could not be used."""
    results = delivery.results
    said = (
        {id(item.exposure): item for item in results.exposed.comparisons} if results.exposed else {}
    )
    return [(item, said.get(id(item))) for item in results.plan.exposures]


def advice_rows(delivery: Delivery) -> list[tuple[CandidateExposure, float, float]]:
    """Every hole advised: where, what it is expected to take away, what is left."""
    report = delivery.results.digs
    if report is None or report.advice is None:
        return []
    advice = report.advice
    return list(
        zip(advice.chosen, advice.reduction.tolist(), advice.risk_after.tolist(), strict=True)
    )


def before_exposures(delivery: Delivery, dig: int, line: int) -> float:
    """Probability of contact as if the line had not been exposed; NaN where it was not."""
    report = delivery.results.digs
    found = report.without_exposures.get(dig) if report else None
    for near in found.approaches if found else ():
        if near.line_index == line:
            return near.p_contact
    return float("nan")


def joined_words(delivery: Delivery, words: tuple[str, ...]) -> str:
    """Sentences in the job's unit as one text."""
    return " ".join(lengths_in(said, delivery.about.unit) for said in words)


def _shadow(
    rows: Callable[[Delivery], list[tuple[float, float]]], part: int
) -> Callable[[Delivery], Floats]:
    def values(delivery: Delivery) -> Floats:
        places = np.array(rows(delivery), np.float64).reshape(-1, 2)
        return delivery.to_geographic(places[:, 0], places[:, 1])[part]

    return values


def _place_columns(rows: Callable[[Delivery], list[tuple[float, float]]]) -> tuple[Column, ...]:
    """Easting, northing, longitude and latitude of a place in each row."""
    return (
        grid("Easting", "easting", "E", "Grid easting.", lambda d: _part(rows(d), 0)),
        grid("Northing", "northing", "N", "Grid northing.", lambda d: _part(rows(d), 1)),
        degrees("Longitude", "longitude", "LON", "East positive.", _shadow(rows, 0), 9),
        degrees("Latitude", "latitude", "LAT", "North positive.", _shadow(rows, 1), 9),
    )


def _part(places: list[tuple[float, float]], part: int) -> Floats:
    return np.array([place[part] for place in places], np.float64)


def _last_columns(count: Callable[[Delivery], int]) -> tuple[Column, ...]:
    return (
        text(
            "CRS", "crs", "CRS", "Of easting and northing.", constant(lambda d: d.about.crs, count)
        ),
        text(
            "Caution",
            "caution",
            "CAUTION",
            "Reminder; read the cautions in full before use. Nothing here gives leave to dig.",
            constant(lambda d: SHORT_CAUTION, count),
        ),
    )


# --- Digs ----------------------------------------------------------------------------------------


def _digs(value: Callable[[DigClearance], Value]) -> Callable[[Delivery], list[Value]]:
    return lambda d: [value(item) for item in dig_rows(d)]


def _dig_numbers(value: Callable[[DigClearance], float]) -> Callable[[Delivery], Floats]:
    return lambda d: np.array([value(item) for item in dig_rows(d)], np.float64)


def _most(item: DigClearance, key: Callable[[Approach], float]) -> Approach | None:
    """The line with the greatest of something that is known."""
    known = [near for near in item.approaches if key(near) == key(near)]
    return max(known, key=key) if known else None


def likeliest(item: DigClearance) -> Approach | None:
    """The line that a dig most likely touches; the nearer of equals."""
    return next(iter(by_contact(item)), None)


def _of_likeliest(value: Callable[[Approach], float]) -> Callable[[Delivery], Floats]:
    def of(item: DigClearance) -> float:
        near = likeliest(item)
        return value(near) if near else float("nan")

    return _dig_numbers(of)


def digs_in_order(report: DigReport) -> list[tuple[int, DigClearance]]:
    """Digs with their places, the likeliest to touch a line first, then by risk."""

    def key(one: tuple[int, DigClearance]) -> tuple[float, float, int]:
        near = likeliest(one[1])
        return (-chance(near.p_contact) if near else 0.0, -one[1].risk, one[0])

    return sorted(enumerate(report.digs), key=key)


def _named(item: DigClearance) -> str:
    near = likeliest(item)
    return near.line if near else ""


def _most_broken(item: DigClearance) -> Approach | None:
    return _most(item, lambda near: near.p_breach)


def _breach_line(item: DigClearance) -> str:
    near = _most_broken(item)
    return near.line if near else ""


def _breach_rule(item: DigClearance) -> str:
    near = _most_broken(item)
    return near.rule.id if near and near.rule else ""


def _breach(item: DigClearance) -> float:
    near = _most_broken(item)
    return chance(near.p_breach) if near else float("nan")


def _dig_places(delivery: Delivery) -> list[tuple[float, float]]:
    return [
        (float(shape.footprint.centroid.x), float(shape.footprint.centroid.y))
        for shape in delivery.digs
    ]


DIGS = Table(
    "digs",
    "Planned digs",
    "a planned dig: a trench, bore, pit, post or strip of milling",
    (
        text("Dig", "dig", "DIG", "Its name in the plan.", _digs(lambda i: i.dig.name)),
        text(
            "Kind",
            "kind",
            "KIND",
            "trench, bore, pit, post or milling.",
            _digs(lambda i: i.dig.kind),
        ),
        text(
            "Installs",
            "installs",
            "INSTALLS",
            "What will be laid in it; some required clearances depend on it.",
            _digs(lambda i: i.dig.installs.word),
        ),
        integer(
            "Lines near",
            "lines_near",
            "LINES",
            "Located lines and lines from records within the reach.",
            _digs(lambda i: len(i.approaches)),
        ),
        length(
            "Reach",
            "reach",
            "REACH",
            "How far lines were looked for.",
            _dig_numbers(lambda i: i.reach),
        ),
        text("Line", "line", "LINE", "The line that the dig most likely touches.", _digs(_named)),
        length(
            "Clearance",
            "clearance",
            "CLEAR",
            "Between outer surfaces of dig and that line; zero or less: they touch as planned and "
            "located.",
            _of_likeliest(lambda near: near.clearance),
        ),
        length(
            "Clearance, 5 %",
            "clearance_5",
            "CLR5",
            "With 95 % there is more than this.",
            _of_likeliest(lambda near: float(near.clearance_range[0])),
        ),
        number(
            "Probability of contact",
            "p_contact",
            "PCONTACT",
            "That dig and that line touch; 0 to 1, never exactly either.",
            _of_likeliest(lambda near: chance(near.p_contact)),
            6,
        ),
        text(
            "Line with required clearance",
            "breach_line",
            "BRLINE",
            "The line whose required clearance is most likely not kept.",
            _digs(_breach_line),
        ),
        text("Rule", "rule", "RULE", "The required clearance in question.", _digs(_breach_rule)),
        number(
            "Probability not kept",
            "p_breach",
            "PBREACH",
            "That this required clearance is not kept; empty where no rule applies.",
            _dig_numbers(_breach),
            6,
        ),
        number(
            "Risk",
            "risk",
            "RISK",
            "Expected cost of not knowing where the lines are, in units of one strike.",
            _dig_numbers(lambda i: i.risk),
            6,
        ),
        number(
            "Searched",
            "searched_share",
            "SEARCHED",
            "Share of its surroundings that was searched for lines; empty where that is not "
            "recorded.",
            _dig_numbers(lambda i: i.searched),
        ),
        text(
            "In words",
            "in_words",
            "WORDS",
            "What is known of the dig as a whole.",
            lambda d: [joined_words(d, item.words) for item in dig_rows(d)],
        ),
        *_place_columns(_dig_places),
        *_last_columns(lambda d: len(dig_rows(d))),
    ),
)


# --- Lines near digs -----------------------------------------------------------------------------


def _near(
    value: Callable[[DigClearance, Approach], Value],
) -> Callable[[Delivery], list[Value]]:
    return lambda d: [value(item, near) for _, item, near in approach_rows(d)]


def _near_numbers(value: Callable[[Approach], float]) -> Callable[[Delivery], Floats]:
    return lambda d: np.array([value(near) for _, _, near in approach_rows(d)], np.float64)


def _shortfall(near: Approach) -> float:
    return near.rules[0].shortfall if near.rules else float("nan")


APPROACHES = Table(
    "approaches",
    "Lines near digs",
    "a line near a planned dig, the likeliest touched of each dig first",
    (
        text("Dig", "dig", "DIG", "Name of the dig.", _near(lambda i, _: i.dig.name)),
        text("Line", "line", "LINE", "Name of the line.", _near(lambda _, n: n.line)),
        text("Utility", "utility", "UTILITY", "Of the line.", _near(lambda _, n: n.utility.word)),
        text(
            "Known from",
            "source",
            "SOURCE",
            "located, or records: then nobody located it.",
            _near(lambda _, n: n.source),
        ),
        text(
            "Crosses",
            "crosses",
            "CROSSES",
            "Whether line and dig overlap in plan: yes or no.",
            _near(lambda _, n: "yes" if n.crosses else "no"),
        ),
        length(
            "Clearance",
            "clearance",
            "CLEAR",
            "Between outer surfaces; zero or less: they touch as planned and located.",
            _near_numbers(lambda n: n.clearance),
        ),
        length(
            "Clearance, 5 %",
            "clearance_5",
            "CLR5",
            "With 95 % there is more than this.",
            _near_numbers(lambda n: float(n.clearance_range[0])),
        ),
        length(
            "Clearance, 95 %",
            "clearance_95",
            "CLR95",
            "With 95 % there is less than this.",
            _near_numbers(lambda n: float(n.clearance_range[2])),
        ),
        length(
            "Horizontal",
            "horizontal",
            "HOR",
            "Part of the clearance in plan; zero where they touch.",
            _near_numbers(lambda n: n.horizontal),
        ),
        length(
            "Vertical",
            "vertical",
            "VER",
            "Part of the clearance in height; zero where they touch.",
            _near_numbers(lambda n: n.vertical),
        ),
        text(
            "Line lies",
            "line_lies",
            "LIES",
            "below or above the dig's nearest point.",
            _near(lambda _, n: "below" if n.line_below else "above"),
        ),
        number(
            "Probability of contact",
            "p_contact",
            "PCONTACT",
            "That dig and line touch; 0 to 1, never exactly either.",
            _near_numbers(lambda n: chance(n.p_contact)),
            6,
        ),
        number(
            "Contact by the pilot hole",
            "p_contact_pilot",
            "PPILOT",
            "The same for the pilot hole of a bore alone; empty for other digs.",
            _near_numbers(lambda n: chance(n.p_contact_pilot)),
            6,
        ),
        number(
            "Contact without exposures",
            "p_contact_without_exposures",
            "PBEFORE",
            "What the probability would be if the line had not been exposed; empty where it was "
            "not.",
            lambda d: np.array(
                [chance(before_exposures(d, k, n.line_index)) for k, _, n in approach_rows(d)],
                np.float64,
            ),
            6,
        ),
        text(
            "Rule",
            "rule",
            "RULE",
            "The required clearance most likely not kept; empty where none applies.",
            _near(lambda _, n: n.rule.id if n.rule else ""),
        ),
        text(
            "Required",
            "required",
            "REQUIRED",
            "What that rule says.",
            _near(lambda _, n: n.rule.title if n.rule else ""),
        ),
        text(
            "Citation",
            "citation",
            "CITATION",
            "Where the rule is from; 'not read' means the source was not read for this: check it.",
            _near(lambda _, n: _citation(n)),
        ),
        length(
            "Shortfall",
            "shortfall",
            "SHORT",
            "How far the planned distance falls short of that rule; negative: in excess.",
            _near_numbers(_shortfall),
        ),
        number(
            "Probability not kept",
            "p_breach",
            "PBREACH",
            "That the required clearance is not kept.",
            _near_numbers(lambda n: chance(n.p_breach)),
            6,
        ),
        length(
            "Station on the line",
            "line_station",
            "LSTA",
            "Of the nearest approach, along the line.",
            _near_numbers(lambda n: n.line_station),
        ),
        length(
            "Station on the dig",
            "dig_station",
            "DSTA",
            "Of the nearest approach, along the dig; a pit's runs round its wall.",
            _near_numbers(lambda n: n.dig_station),
        ),
        length(
            "Height of the centre",
            "centre_height",
            "CHGT",
            "Of the line's centre there.",
            _near_numbers(lambda n: float(n.line_point[2])),
        ),
        length(
            "Outside diameter",
            "outside_diameter",
            "OD",
            "Of the line, as used; the median where it is not known.",
            _near_numbers(lambda n: n.outside_diameter),
        ),
        text(
            "Diameter is",
            "diameter_basis",
            "ODBASIS",
            "known, assumed from what is usual for the utility, or unknown.",
            _near(lambda _, n: n.diameter_basis),
        ),
        text(
            "Depth is",
            "depth_basis",
            "DEPBASIS",
            "located, from records, or assumed from what is usual for the utility.",
            _near(lambda _, n: n.depth_basis),
        ),
        text(
            "Supported by shots",
            "supported",
            "SUPPORT",
            "no where the nearest approach lies in a gap that no shots support.",
            _near(lambda _, n: "no" if n.unsupported else "yes"),
        ),
        number(
            "Risk",
            "risk",
            "RISK",
            "Expected cost of not knowing, in units of one strike.",
            _near_numbers(lambda n: n.risk),
            6,
        ),
        text(
            "In words",
            "in_words",
            "WORDS",
            "What is known of this line near this dig, and what to expose.",
            lambda d: [joined_words(d, near.words) for _, _, near in approach_rows(d)],
        ),
        *_place_columns(
            lambda d: [
                (float(n.line_point[0]), float(n.line_point[1])) for _, _, n in approach_rows(d)
            ]
        ),
        *_last_columns(lambda d: len(approach_rows(d))),
    ),
)


def _citation(near: Approach) -> str:
    if near.rule is None:
        return ""
    return near.rule.citation + ("; not read, check it" if near.rule.from_memory else "")


# --- Exposures -----------------------------------------------------------------------------------


def _seen(value: Callable[[Exposure], Value]) -> Callable[[Delivery], list[Value]]:
    return lambda d: [value(item) for item, _ in exposure_rows(d)]


def _seen_numbers(value: Callable[[Exposure], float]) -> Callable[[Delivery], Floats]:
    return lambda d: np.array([value(item) for item, _ in exposure_rows(d)], np.float64)


def _said(value: Callable[[ExposureComparison], float]) -> Callable[[Delivery], Floats]:
    return lambda d: np.array(
        [value(said) if said else np.nan for _, said in exposure_rows(d)], np.float64
    )


def _verdict(said: ExposureComparison | None) -> str:
    if said is None:
        return "not used"
    return "contradicts" if said.contradicted else "agrees"


EXPOSURES = Table(
    "exposures",
    "Exposures",
    "a line seen: by pothole, vacuum or open trench",
    (
        text("Exposure", "exposure", "EXPOSURE", "Its name.", _seen(lambda e: e.name)),
        text("Line", "line", "LINE", "The line that was exposed.", _seen(lambda e: e.line)),
        text(
            "Result",
            "result",
            "RESULT",
            "agrees with the line as located; contradicts it; or not used, because it could not be "
            "put on its line.",
            lambda d: [_verdict(said) for _, said in exposure_rows(d)],
        ),
        length(
            "Top depth",
            "top_depth",
            "TOPD",
            "Ground to top, measured.",
            _seen_numbers(lambda e: e.top_depth),
        ),
        length(
            "Ground height",
            "ground_height",
            "GHGT",
            "As measured; empty where it was taken from the ground surface.",
            _seen_numbers(lambda e: e.ground_height),
        ),
        length(
            "Outside diameter",
            "outside_diameter",
            "OD",
            "As measured; empty if it was not.",
            _seen_numbers(lambda e: e.outside_diameter),
        ),
        text("Material", "material", "MATERIAL", "As seen.", _seen(lambda e: e.material)),
        text("Method", "method", "METHOD", "How it was exposed.", _seen(lambda e: e.method)),
        text("Who", "who", "WHO", "Who exposed it.", _seen(lambda e: e.who)),
        text(
            "Day",
            "day",
            "DAY",
            "When it was exposed.",
            _seen(lambda e: e.when.isoformat() if e.when else ""),
        ),
        text("Photo", "photo", "PHOTO", "Name of the photo.", _seen(lambda e: e.photo)),
        length(
            "Station",
            "station",
            "STA",
            "Along the line.",
            _said(lambda c: c.station),
        ),
        length(
            "Found left",
            "found_left",
            "LEFT",
            "Found minus expected across the line, left positive.",
            _said(lambda c: c.left),
        ),
        length(
            "Left, sd",
            "left_sd",
            "LSD",
            "Expected size of that, line and measurement together.",
            _said(lambda c: c.left_sd),
        ),
        length(
            "Found up",
            "found_up",
            "UP",
            "Found minus expected height of the centre.",
            _said(lambda c: c.up),
        ),
        length(
            "Up, sd",
            "up_sd",
            "USD",
            "Expected size of that, line and measurement together.",
            _said(lambda c: c.up_sd),
        ),
        length(
            "Located depth error",
            "located_depth_error",
            "DERR",
            "Located depth to the centre minus true depth; positive: it read too deep.",
            _said(lambda c: c.em_depth_error),
        ),
        number(
            "Chance",
            "chance",
            "CHANCE",
            "Of so large a difference if the stated uncertainties are right.",
            _said(lambda c: c.p_value),
            6,
        ),
        text(
            "In words",
            "in_words",
            "WORDS",
            "What it says of the line.",
            lambda d: [
                joined_words(d, (said.words,)) if said else "" for _, said in exposure_rows(d)
            ],
        ),
        *_place_columns(lambda d: [(e.easting, e.northing) for e, _ in exposure_rows(d)]),
        *_last_columns(lambda d: len(exposure_rows(d))),
    ),
)


# --- Where to expose -----------------------------------------------------------------------------

HOLE_ADVICE = Table(
    "hole_advice",
    "Where to expose",
    "a place where exposing a line would settle most, the most useful first",
    (
        integer(
            "Rank",
            "rank",
            "RANK",
            "1 is the most useful.",
            lambda d: [k for k, _ in enumerate(advice_rows(d), 1)],
        ),
        text(
            "Line",
            "line",
            "LINE",
            "The line to expose.",
            lambda d: [place.line for place, _, _ in advice_rows(d)],
        ),
        length(
            "Station",
            "station",
            "STA",
            "Along the line.",
            lambda d: np.array([place.station for place, _, _ in advice_rows(d)], np.float64),
        ),
        number(
            "Cost",
            "cost",
            "COST",
            "Of the hole, in the plan's unit.",
            lambda d: np.array([place.cost for place, _, _ in advice_rows(d)], np.float64),
        ),
        number(
            "Expected reduction",
            "expected_reduction",
            "REDUCES",
            "Of the risk of all digs, given the holes before it, in units of one strike.",
            lambda d: np.array([gain for _, gain, _ in advice_rows(d)], np.float64),
            6,
        ),
        number(
            "Risk after",
            "risk_after",
            "RISKAFTER",
            "Expected risk of all digs after this hole and those before it.",
            lambda d: np.array([left for _, _, left in advice_rows(d)], np.float64),
            6,
        ),
        *_place_columns(
            lambda d: [(place.easting, place.northing) for place, _, _ in advice_rows(d)]
        ),
        *_last_columns(lambda d: len(advice_rows(d))),
    ),
)

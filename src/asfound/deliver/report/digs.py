"""What the report sets of planned digs: the table, rules, where to expose, exposures, drawings."""

from __future__ import annotations

from typing import Any

from asfound.budget import NORMAL_95
from asfound.deliver.delivery import Delivery
from asfound.deliver.dig_columns import advice_rows, exposure_rows
from asfound.deliver.finding_columns import plain_number
from asfound.deliver.report.dig_cross import Cross, wanted_sections
from asfound.deliver.report.dig_groups import Group, dig_groups, stretches
from asfound.deliver.report.dig_plan import draw_plan
from asfound.deliver.report.dig_profile import Profile
from asfound.deliver.report.dig_scene import DigScene, PlanView, dig_scene, pairs_in_order
from asfound.deliver.report.dig_sections import Cut, course, profile_cuts
from asfound.deliver.report.dig_words import (
    DASH,
    Standing,
    clearance_words,
    dig_facts,
    length,
    line_words,
    percent,
    plain_station,
    remarks,
    rests_on,
    rule_name,
    rule_size,
    rule_source,
    standing,
    worst,
)
from asfound.deliver.report.facts import clean
from asfound.deliver.symbols import hex_colour
from asfound.model import CAUTIONS, Approach, DigReport, Pit, Post
from asfound.units import LengthUnit, lengths_in

MOST_ROWS, MOST_GROUPS, MOST_REMARKS = 240, 40, 30


def digs_section(delivery: Delivery, width: float) -> dict[str, Any] | None:
    """All that the template sets of digs and exposures; None if the job has neither.

    Parameters
    ----------
    width : float
        Of the page's body [mm].
    """
    report = delivery.results.digs
    exposures = _exposures(delivery)
    if report is None:
        return (
            {"cautions": list(CAUTIONS), "rows": [], "exposures": exposures} if exposures else None
        )
    scene = dig_scene(delivery, report, MOST_ROWS)
    groups = dig_groups(report)
    pairs = pairs_in_order(report)
    return {
        "cautions": list(_cautions(report)),
        "standings": [
            {"state": int(state), "word": state.word, "meaning": state.meaning}
            for state in sorted(Standing, reverse=True)
            if state is not Standing.NO_LINE or any(not item.approaches for item in report.digs)
        ],
        "lonely": _without_lines(report),
        "rows": [
            {"no": number, **_row(scene, place, near)}
            for number, (place, near) in enumerate(pairs[:MOST_ROWS], 1)
        ],
        "more": max(0, len(pairs) - MOST_ROWS),
        "rules": _rules(scene, report),
        "ground": clean(report.ground),
        "searched": [clean(words) for words in report.searched],
        "advice": _advice(delivery, report),
        "exposures": exposures,
        "shared": _shared(delivery),
        "groups": [_group(scene, group, width) for group in groups[:MOST_GROUPS]],
        "not_drawn": sum(len(group.places) for group in groups[MOST_GROUPS:]),
    }


def _cautions(report: DigReport) -> dict[str, None]:
    """Of the report and of each dig, each once."""
    said = dict.fromkeys(CAUTIONS)
    for item in report.digs:
        said.update(dict.fromkeys(item.cautions))
    if report.advice is not None:
        said.update(dict.fromkeys(report.advice.cautions))
    return said


def _without_lines(report: DigReport) -> list[str]:
    """Digs near which no line is known, with what was searched there."""
    return [
        " ".join(clean(words) for words in item.words) or clean(f"{item.dig.name}: no line known.")
        for item in report.digs
        if not item.approaches
    ]


def _row(scene: DigScene, place: int, near: Approach) -> dict[str, Any]:
    """A pair in the table: everything but its drawings."""
    unit = scene.delivery.about.unit
    state = standing(near)
    touching = near.clearance <= 0
    rule = near.rule
    low, high = (length(max(float(near.clearance_range[k]), 0.0), unit) for k in (0, 2))
    return {
        "state": int(state),
        "word": state.word,
        "dig": clean(scene.digs[place].dig.name),
        "line": clean(near.line),
        "utility": near.utility.word,
        "colour": hex_colour(near.utility),
        "records": near.source == "records",
        "clearance": clearance_words(near, unit),
        "range": f"{low} to {high}" if float(near.clearance_range[2]) > 0 else DASH,
        "horizontal": DASH if touching else length(near.horizontal, unit),
        "vertical": DASH if touching else _vertical(near, unit),
        "contact": percent(near.p_contact),
        "letter": scene.letters.get(rule.id, "") if rule else "",
        "rule": f"{rule_name(rule)}, {rule_size(rule, unit)}" if rule else "none applies",
        "breach": percent(near.p_breach),
        "rests": rests_on(near),
    }


def _vertical(near: Approach, unit: LengthUnit) -> str:
    """The part in height, and where the line lies if that can be told."""
    words = length(near.vertical, unit)
    if float(words) == 0.0:
        return words
    return f"{words}, line {'below' if near.line_below else 'above'}"


def _rules(scene: DigScene, report: DigReport) -> list[list[str]]:
    """Letter, title, size in the job's unit and source of each rule that applies to a pair."""
    unit = scene.delivery.about.unit
    return [
        [scene.letters[rule.id], clean(rule.title), rule_size(rule, unit), rule_source(rule)]
        for rule in report.rules
        if rule.id in scene.letters
    ]


def _advice(delivery: Delivery, report: DigReport) -> dict[str, Any] | None:
    advice = report.advice
    if advice is None:
        return None
    unit = delivery.about.unit
    grid = delivery.about.grid_unit.metres
    before = advice.risk_before
    return {
        "rows": [
            [
                str(rank),
                clean(hole.line),
                plain_station(hole.station, unit),
                f"{hole.easting / grid:.1f}",
                f"{hole.northing / grid:.1f}",
                plain_number(hole.cost, 2),
                percent(taken / before) if before > 0 else DASH,
                percent(left / before) if before > 0 else DASH,
            ]
            for rank, (hole, taken, left) in enumerate(advice_rows(delivery), 1)
        ],
        "words": [clean(lengths_in(words, unit)) for words in advice.words],
    }


def _exposures(delivery: Delivery) -> list[dict[str, Any]]:
    """What was exposed: found, as located, difference, and whether both can be right."""
    unit = delivery.about.unit
    rows = []
    for seen, said in exposure_rows(delivery):
        radius = 0.5 * seen.outside_diameter
        found = seen.top_depth + radius
        row = {
            "name": clean(seen.name),
            "line": clean(seen.line),
            "when": ", ".join(
                clean(part)
                for part in (
                    f"{seen.when:%Y-%m-%d}" if seen.when else "",
                    seen.who,
                    seen.method,
                    f"photo {seen.photo}" if seen.photo else "",
                )
                if part
            ),
            "top": length(seen.top_depth, unit),
            "size": length(seen.outside_diameter, unit),
            "material": clean(seen.material) or DASH,
            "centre": length(found, unit),
            "em": DASH,
            "off": DASH,
            "off_95": DASH,
            "across": DASH,
            "across_95": DASH,
            "state": "not used",
            "words": "It could not be put on a line: see the findings.",
        }
        if said is not None:
            side = "left" if said.left > 0 else "right"
            row |= {
                "em": length(found + said.em_depth_error, unit),
                "off": f"{said.em_depth_error / unit.metres:+.2f}",
                "off_95": length(NORMAL_95 * said.up_sd, unit),
                "across": f"{length(abs(said.left), unit)} {side}",
                "across_95": length(NORMAL_95 * said.left_sd, unit),
                "state": "contradicts" if said.contradicted else "agrees",
                "words": clean(lengths_in(said.words, unit)),
            }
        rows.append(row)
    return rows


def _shared(delivery: Delivery) -> list[str]:
    """What exposures said of errors that many shots share."""
    results, unit = delivery.results, delivery.about.unit
    if results.exposed is None:
        return []
    terms = {term.name: term.title for term in results.budget.terms}
    said = []
    for bias in results.exposed.shared:
        if abs(bias.up) < 0.005 and bias.up_sd > 0.9 * bias.size:
            continue
        names = [clean(results.lines[k].name) for k in bias.lines if k < len(results.lines)]
        way = "lower" if bias.up < 0 else "higher"
        said.append(
            f"{clean(terms.get(bias.term, bias.term))}, shared by shots of "
            f"{', '.join(names[:6])}: because of it the lines lie "
            f"{length(abs(bias.up), unit)} {unit.symbol} {way} than located, \u00b1 "
            f"{length(NORMAL_95 * bias.up_sd, unit)} {unit.symbol} (95 %)."
        )
    return said


def _group(scene: DigScene, group: Group, width: float) -> dict[str, Any]:
    """Heading, drawings and words of digs that lie together."""
    unit = scene.delivery.about.unit
    items = [scene.digs[place] for place in group.places]
    pairs = [(place, near) for place, near in pairs_in_group(scene, group)]
    said: dict[str, list[str]] = {}
    for place, near in pairs:
        words = " ".join(remarks(scene.delivery, place, near))
        number = scene.number(place, near)
        name = clean(f"{scene.digs[place].dig.name} and {near.line}")
        if words:
            said.setdefault(words, []).append(f"{number}: {name}" if number else name)
    return {
        "title": _title(scene, group),
        "state": int(max(worst(item) for item in items)),
        "word": max(worst(item) for item in items).word,
        "facts": _facts(scene, group),
        "plans": _plans(scene, group, width),
        "sections": _sections(scene, group),
        "rows": [
            {
                "no": scene.number(place, near),
                "state": int(standing(near)),
                "word": standing(near).word,
                "dig": clean(scene.digs[place].dig.name),
                "line": line_words(near),
                "where": f"{plain_station(near.dig_station, unit)} / "
                f"{plain_station(near.line_station, unit)}"
                if not isinstance(scene.digs[place].dig, Post)
                else f"{DASH} / {plain_station(near.line_station, unit)}",
                "clearance": clearance_words(near, unit),
                "contact": percent(near.p_contact),
                "breach": ", ".join(
                    f"{scene.letters.get(answer.rule.id, '')} {percent(answer.p_breach)}"
                    for answer in near.rules
                )
                or DASH,
            }
            for place, near in pairs
        ],
        "remarks": [
            {"names": ", ".join(names), "words": words}
            for words, names in list(said.items())[:MOST_REMARKS]
        ],
        "more_remarks": max(0, len(said) - MOST_REMARKS),
        "words": list(
            dict.fromkeys(clean(lengths_in(words, unit)) for item in items for words in item.words)
        ),
        "cautions": list(dict.fromkeys(words for item in items for words in item.cautions)),
    }


def pairs_in_group(scene: DigScene, group: Group) -> list[tuple[int, Approach]]:
    """Pairs of a group in the order of the table."""
    pairs = [(place, near) for place in group.places for near in scene.digs[place].approaches]
    last = len(scene.numbers) + 1
    return sorted(pairs, key=lambda pair: scene.numbers.get((pair[0], pair[1].line_index), last))


def _title(scene: DigScene, group: Group) -> str:
    digs = [scene.digs[place].dig for place in group.places]
    kind = digs[0].kind
    names = [clean(dig.name, 24) for dig in digs]
    if len(digs) == 1:
        return f"{kind[0].upper()}{kind[1:]} {names[0]}"
    listed = ", ".join(names) if len(names) <= 8 else f"{names[0]} to {names[-1]}"
    return f"{len(digs)} {kind}s: {listed}"


def _facts(scene: DigScene, group: Group) -> list[str]:
    """Sizes; of posts that are alike said once."""
    unit = scene.delivery.about.unit
    by_words: dict[str, list[str]] = {}
    for place in group.places:
        dig = scene.digs[place].dig
        by_words.setdefault(dig_facts(dig, unit), []).append(clean(dig.name, 24))
    if len(by_words) == 1:
        words = next(iter(by_words))
        return [words[0].upper() + words[1:]]
    return [f"{', '.join(names)}: {words}" for words, names in by_words.items()]


def _plans(scene: DigScene, group: Group, width: float) -> list[dict[str, str]]:
    """Plans, each with the profile under it where the dig has an axis."""
    if not group.along:
        return [
            {"plan": draw_plan(scene, PlanView(group.places), width)[0], "profile": "", "title": ""}
        ]
    place = group.places[0]
    item, solid = scene.digs[place], scene.solids[place]
    crossings = [cut.x for cuts in _cuts(scene, place) for cut in cuts if cut.through]
    parts = stretches(solid, item.approaches, crossings)
    unit = scene.delivery.about.unit
    figures = []
    whole = scene.profile_length(place)
    if len(parts) != 1 or parts[0][1] - parts[0][0] < whole:
        view = PlanView(group.places)
        figures.append(
            {
                "plan": draw_plan(scene, view, width)[0],
                "profile": Profile(scene, place, 0.0, whole, width, overview=True).markup(),
                "title": "The whole",
            }
        )
    for low, high in parts:
        view = PlanView(group.places, low, high)
        title = f"Station {plain_station(low, unit)} to {plain_station(high, unit)} {unit.symbol}"
        figures.append(
            {
                "plan": draw_plan(scene, view, width)[0],
                "profile": Profile(scene, place, low, high, width).markup(),
                "title": title if figures else "",
            }
        )
    return figures


def _cuts(scene: DigScene, place: int) -> list[list[Cut]]:
    """Of each line near a trench or bore, where the profile along it cuts the line."""
    results, solid = scene.delivery.results, scene.solids[place]
    return [
        profile_cuts(near, course(results, near, scene.surface), solid)
        for near in scene.digs[place].approaches
    ]


def _sections(scene: DigScene, group: Group) -> list[str]:
    drawn = []
    for place in group.places:
        item = scene.digs[place]
        if isinstance(item.dig, Pit | Post):
            beside = set(range(len(item.approaches)))
        else:
            cuts = _cuts(scene, place)
            beside = {k for k, found in enumerate(cuts) if not any(cut.through for cut in found)}
        drawn += [Cross(scene, place, chosen).markup() for chosen in wanted_sections(item, beside)]
    return drawn

"""Planned digs against the lines, exposures, and where to expose next."""

from __future__ import annotations

from asfound.desk.details._json import Json, number, numbers
from asfound.model import (
    DigClearance,
    ExposureAdvice,
    ExposureComparison,
)


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

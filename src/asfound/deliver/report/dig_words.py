"""How a dig's nearness to a line is said: standing, probabilities, lengths, what to do."""

from __future__ import annotations

from enum import IntEnum

import numpy as np

from asfound.budget import NORMAL_95
from asfound.deliver.delivery import Delivery
from asfound.deliver.dig_columns import before_exposures, chance
from asfound.deliver.finding_columns import plain_number
from asfound.deliver.report.facts import clean
from asfound.model import Approach, Bore, ClearanceRule, Dig, DigClearance, Pit, Post, Utility
from asfound.units import LengthUnit

DASH = "\u2013"
LIKELY = 0.5
# From these on a line is to be exposed before a machine works near it, as `Approach.words` say.
DOUBTED_CONTACT, DOUBTED_BREACH = 1e-3, 0.05
LEAST_SHOWN = 1e-4


class Standing(IntEnum):
    """How a dig stands to a line. There is no standing that gives leave to dig."""

    NO_LINE = -1
    APART = 0
    UNSURE = 1
    TOO_NEAR = 2
    MEETS = 3

    @property
    def word(self) -> str:
        return _WORDS[self]

    @property
    def meaning(self) -> str:
        """What stands behind the word."""
        return _MEANINGS[self]


_WORDS = {
    Standing.MEETS: "they touch",
    Standing.TOO_NEAR: "too near",
    Standing.UNSURE: "not sure",
    Standing.APART: "apart as far as known",
    Standing.NO_LINE: "no line known",
}
_MEANINGS = {
    Standing.MEETS: "as planned and located dig and line touch, or more likely do than not: "
    "change the plan",
    Standing.TOO_NEAR: "a required clearance is more likely not kept than kept: change the plan, "
    "or expose the line and dig as the rule says",
    Standing.UNSURE: "contact or a required clearance is in doubt: expose the line",
    Standing.APART: "no contact and no breach of the rules below is to be expected of this line "
    "where it was located; other lines may lie there",
    Standing.NO_LINE: "nobody knows of a line near this dig; what was searched is said beside it",
}


def standing(near: Approach) -> Standing:
    """How a dig stands to one line."""
    breach = max((answer.p_breach for answer in near.rules), default=0.0)
    if near.clearance <= 0 or near.p_contact >= LIKELY:
        return Standing.MEETS
    if breach >= LIKELY:
        return Standing.TOO_NEAR
    if near.p_contact > DOUBTED_CONTACT or breach > DOUBTED_BREACH:
        return Standing.UNSURE
    return Standing.APART


def worst(item: DigClearance) -> Standing:
    """Of all lines near a dig."""
    return max((standing(near) for near in item.approaches), default=Standing.NO_LINE)


def percent(p: float) -> str:
    """A probability for people: never 0 or 100 %; a dash if there is none."""
    if not np.isfinite(p):
        return DASH
    p = chance(p)
    if p < LEAST_SHOWN:
        return "< 0.01 %"
    if p > 1.0 - LEAST_SHOWN:
        return "> 99.99 %"
    if 0.1 <= p <= 0.9:
        return f"{100.0 * p:.0f} %"
    digits = 2 if min(p, 1.0 - p) < 0.01 else 1
    return f"{100.0 * p:.{digits}f} %"


def length(metres: float, unit: LengthUnit) -> str:
    """A length without its unit, to a centimetre or a twentieth of a foot; a dash if unknown."""
    return f"{metres / unit.metres:.2f}" if np.isfinite(metres) else DASH


def clearance_words(near: Approach, unit: LengthUnit) -> str:
    """Between outer surfaces, or that they touch."""
    return length(near.clearance, unit) if near.clearance > 0 else "touch"


def rests_on(near: Approach) -> str:
    """What depth and diameter rest on."""
    depth = {
        "located": "depth located",
        "records": "depth from records",
        "assumed": "depth assumed",
    }[near.depth_basis]
    size = {
        "known": "size known",
        "assumed": "size assumed",
        "unknown": "size unknown",
    }[near.diameter_basis]
    gap = "; no shots support the line here" if near.unsupported else ""
    return f"{depth}; {size}{gap}"


def line_words(near: Approach) -> str:
    """``'W1, water'``; with a mark if nobody located it."""
    records = ", records only" if near.source == "records" else ""
    return clean(f"{near.line}, {near.utility.word}{records}")


def dig_facts(dig: Dig, unit: LengthUnit) -> str:
    """A dig's sizes in a sentence."""

    def span(values: object, what: str) -> str:
        known = np.ravel(np.asarray(values, np.float64)) / unit.metres
        known = known[np.isfinite(known)]
        if not len(known):
            return ""
        low, high = f"{known.min():.2f}", f"{known.max():.2f}"
        return f"{what} {low if low == high else f'{low} to {high}'} {unit.symbol}"

    if isinstance(dig, Bore):
        size = [
            f"pilot {length(dig.pilot_diameter, unit)}, final diameter "
            f"{length(dig.final_diameter, unit)} {unit.symbol}",
            span(dig.depth, "centre below ground"),
            span(dig.elevation, "centre at height"),
            f"steering error, 95 %: {NORMAL_95 * 100 * dig.horizontal_steering:.1f} % of the "
            f"length bored sideways, {NORMAL_95 * 100 * dig.vertical_steering:.1f} % in height",
        ]
    elif isinstance(dig, Post):
        size = [f"diameter {length(dig.diameter, unit)} {unit.symbol}"]
    elif isinstance(dig, Pit):
        size = []
    else:
        size = [span(dig.width, "width")]
    if not isinstance(dig, Bore):
        size += [span(dig.depth, "depth"), span(dig.elevation, "bottom at height")]
    size.append(
        f"the digging keeps to the plan within {length(NORMAL_95 * dig.horizontal_sd, unit)} "
        f"{unit.symbol} sideways and {length(NORMAL_95 * dig.vertical_sd, unit)} {unit.symbol} in "
        "height (95 %)"
    )
    if dig.installs != Utility.UNKNOWN:
        size.append(f"to be laid: {dig.installs.word}")
    return "; ".join(part for part in size if part) + "."


def rule_name(rule: ClearanceRule) -> str:
    """A rule's title without what stands behind its colon."""
    return clean(rule.title.partition(":")[0])


def rule_size(rule: ClearanceRule, unit: LengthUnit) -> str:
    """``'1.50 ft'``, or both lengths of a separation."""
    if rule.shape == "separation":
        return (
            f"{length(rule.horizontal, unit)} in plan or {length(rule.vertical, unit)} "
            f"{unit.symbol} in height"
        )
    size = rule.horizontal if rule.shape == "zone" else rule.distance
    return f"{length(size, unit)} {unit.symbol}"


def rule_source(rule: ClearanceRule) -> str:
    """Citation, jurisdiction, and whether the source was read."""
    parts = [rule.citation.rstrip(".") or "no source given"]
    if rule.jurisdiction:
        parts.append(rule.jurisdiction)
    if rule.from_memory:
        parts.append("source not read for this: check it before relying on it")
    elif rule.read is not None:
        parts.append(f"read {rule.read:%Y-%m-%d}")
    return clean("; ".join(parts) + ".")


def remarks(delivery: Delivery, place: int, near: Approach) -> list[str]:
    """What a reader of a dig's drawings must know of one line; empty if there is nothing to do."""
    item = delivery.results.digs.digs[place] if delivery.results.digs else None
    state = standing(near)
    said = []
    if near.clearance <= 0:
        said.append("As planned and located they touch: change the plan.")
    if item is not None and isinstance(item.dig, Bore) and state > Standing.APART:
        said.append(f"Contact by the pilot hole alone: {percent(near.p_contact_pilot)}.")
    before = before_exposures(delivery, place, near.line_index)
    if np.isfinite(before) and percent(before) != percent(near.p_contact):
        said.append(
            f"Contact without what was exposed: {percent(before)}; with it: "
            f"{percent(near.p_contact)}."
        )
    if near.source == "records":
        said.append("Known from records only; nobody located it. Locate it, or expose it.")
    if near.depth_basis == "assumed":
        said.append(f"Depth not known: what is usual for {near.utility.word} lines is assumed.")
    if near.diameter_basis != "known" and state > Standing.APART:
        said.append("Outside diameter not known: usual sizes are allowed for.")
    if near.unsupported:
        said.append("No shots support the line where it comes nearest.")
    if state > Standing.APART:
        said.append("Expose it by hand or vacuum here before any machine works near it.")
    return said


def plain_station(metres: float, unit: LengthUnit) -> str:
    """A station to a tenth."""
    return plain_number(metres / unit.metres, 1) if np.isfinite(metres) else DASH

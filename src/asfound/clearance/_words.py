"""What is known of a dig and a line in sentences, without lengths: those depend on the unit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from asfound.model import Approach, Bore, Dig

WHOLLY = 0.995


def percent(p: float) -> str:
    """A probability as people read it."""
    if p < 1e-4:
        return "less than 0.01 %"
    if p > 0.9999:
        return "more than 99.99 %"
    return f"{100.0 * p:.2g} %" if p < 0.1 or p > 0.9 else f"{100.0 * p:.0f} %"


def approach_words(approach: Approach, dig: Dig) -> tuple[str, ...]:
    """Sentences about one line near one dig."""
    name = f"{approach.utility.word} line {approach.line}"
    how = "crosses" if approach.crosses else "runs beside"
    words = [f"{name[0].upper()}{name[1:]} {how} the {dig.kind} {dig.name}."]
    if approach.clearance <= 0:
        words.append("As planned and located they touch: change the plan.")
    words.append(f"Probability that they touch: {percent(approach.p_contact)}.")
    if isinstance(dig, Bore):
        words.append(f"By the pilot hole alone: {percent(approach.p_contact_pilot)}.")
    for answer in approach.rules:
        source = answer.rule.citation
        if answer.rule.from_memory:
            source += "; not read for this, check it"
        words.append(
            f"{answer.rule.title}: not kept with a probability of {percent(answer.p_breach)} "
            f"({source})."
        )
    if approach.source == "records":
        words.append(
            "This line is known from records only. Nobody located it: locate it, or expose it, "
            "before relying on its place."
        )
    if approach.depth_basis == "assumed":
        words.append(
            f"Its depth is not known; what is usual for {approach.utility.word} lines is assumed."
        )
    elif approach.depth_basis == "records":
        words.append("Its depth is from records.")
    if approach.diameter_basis == "assumed":
        words.append(
            "Its outside diameter is not known; sizes usual for such lines are allowed for."
        )
    elif approach.diameter_basis == "unknown":
        words.append(
            "Neither its kind nor its outside diameter is known; a wide range of sizes is "
            "allowed for."
        )
    if approach.unsupported:
        words.append("No shots support the line where it comes nearest.")
    breach = max((answer.p_breach for answer in approach.rules), default=0.0)
    if breach > 0.05 or approach.p_contact > 1e-3:
        words.append("Expose it by hand or vacuum here before any machine works near it.")
    return tuple(words)


def dig_words(dig: Dig, approaches: Sequence[Approach], searched: float) -> tuple[str, ...]:
    """Sentences about a dig as a whole."""
    located = [a for a in approaches if a.source == "located"]
    words = []
    whole = bool(np.isfinite(searched)) and searched >= WHOLLY
    if not located:
        if whole:
            words.append(
                f"No line was located near {dig.kind} {dig.name} where it was searched. A line "
                "that carries no signal may still lie there."
            )
        else:
            words.append(
                f"No line was located near {dig.kind} {dig.name}, but that says little: "
                + _coverage(searched)
            )
    elif not whole:
        words.append("Other lines may lie there that no one located: " + _coverage(searched))
    return tuple(words)


def _coverage(searched: float) -> str:
    if not np.isfinite(searched):
        return "what was searched is not recorded."
    if searched < 0.005:
        return (
            "none of its surroundings was searched."
            if searched == 0
            else ("next to none of its surroundings was searched.")
        )
    return f"only {min(100.0 * searched, 99.0):.0f} % of its surroundings was searched."

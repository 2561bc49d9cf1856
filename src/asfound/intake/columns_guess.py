"""Which column holds which quantity: titles first, then whether the cells can be that."""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import isfinite

from asfound.intake.header_words import Title, read_title, score
from asfound.intake.numbers import MISSING, odd_number
from asfound.intake.quantities import QUANTITIES, Quantity, quantities_of
from asfound.intake.units_at_the_edge import SCALES
from asfound.intake.words import WORD_CODES, word_code

# Titles that name a quantity only if the cells bear it out.
_WEAK = {
    "utility": frozenset(
        [
            "type",
            "code",
            "feature",
            "medium",
            "kind",
            "service",
            "color",
            "colour",
            "farbe",
            "facility",
        ]
    ),
    "fix": frozenset(["quality", "status", "q", "sol", "solution", "qualitat", "rtk"]),
    "method": frozenset(["mode", "coupling"]),
}
_LOOKED_AT = 200
"""Cells that tell whether a column can be a quantity."""
_DATE = re.compile(r"\d{1,4}\s*[-/.]\s*(\d{1,2}|[A-Za-z]{3,9})\s*[-/.]\s*\d{1,4}|^\d{8}$")
_CLOCK = re.compile(r"\d{1,2}[:.h]\d{2}|^\d{6}(\.\d+)?$|^\d{9,13}(\.\d+)?$")
_ANGLE_MARKS = re.compile(r"[°º'\"\u2032\u2033:NSEWnsew]|\d\s+\d")


@dataclass(frozen=True)
class Matched:
    """A column taken for a quantity."""

    quantity: Quantity
    index: int
    title: Title
    points: int


def match_columns(
    titles: tuple[str, ...],
    columns: list[list[str]],
    kind: str,
    decimal: str,
    preferred: frozenset[int] = frozenset(),
) -> dict[str, Matched]:
    """Best column for each quantity, each column used once; of equal ones a preferred one."""
    read = [read_title(title) for title in titles]
    candidates = []
    for quantity in quantities_of(kind):
        for index, title in enumerate(read):
            points = score(title, quantity)
            if points > 0 and plausible(quantity, title, columns[index], decimal):
                candidates.append(Matched(quantity, index, title, points))
    candidates.sort(key=lambda m: (-m.points, m.index not in preferred, m.index))
    chosen: dict[str, Matched] = {}
    taken: set[int] = set()
    for match in candidates:
        if match.quantity.name not in chosen and match.index not in taken:
            chosen[match.quantity.name] = match
            taken.add(match.index)
    order = list(QUANTITIES)
    return dict(sorted(chosen.items(), key=lambda item: order.index(item[0])))


def numbers_of(cells: list[str], decimal: str) -> list[float]:
    """Numbers among cells, in the unit in which they stand (cells with a unit are left out)."""
    found = []
    for cell in cells:
        value = odd_number(cell, "ratio", 1.0, decimal)
        if isinstance(value, float) and isfinite(value):
            found.append(value)
    return found


def plausible(quantity: Quantity, title: Title, cells: list[str], decimal: str) -> bool:
    """Whether cells can be of a quantity; blank columns can be anything."""
    present = [cell for cell in cells if cell.lower() not in MISSING][:_LOOKED_AT]
    if not present:
        return True
    share = _share(quantity, present, decimal)
    if quantity.name in _WEAK and set(title.words) & _WEAK[quantity.name]:
        known = {c for c in present if word_code(quantity.name, c, {}) is not None}
        return len(known) >= 0.5 * len(set(present))
    return share >= 0.5


def _share(quantity: Quantity, cells: list[str], decimal: str) -> float:
    """Share of cells that can be read as the quantity."""
    if quantity.dimension == "time":
        pattern = (
            _DATE if quantity.name == "date" else re.compile(f"{_DATE.pattern}|{_CLOCK.pattern}")
        )
        return sum(bool(pattern.search(cell)) for cell in cells) / len(cells)
    if quantity.dimension == "frame":
        return float(not any(_DATE.search(cell) for cell in cells[:50]))
    if quantity.dimension == "hemisphere":
        return sum(cell[:1].upper() in "NSEW" for cell in cells) / len(cells)
    if quantity.dimension == "geographic":
        good = sum(
            isinstance(odd_number(c, "geographic", 1.0, decimal), float)
            or bool(re.match(r"[NSEWnsew+\-\u2212]?\s*\d", c) and _ANGLE_MARKS.search(c))
            for c in cells
        )
        return good / len(cells)
    if quantity.dimension in SCALES:
        dimension = quantity.dimension
        good = sum(isinstance(odd_number(c, dimension, 1.0, decimal), float) for c in cells)
        if dimension == "length":
            good += sum(
                isinstance(odd_number(c, dimension, None, decimal), float)
                and odd_number(c, dimension, 1.0, decimal) is False
                for c in cells
            )
        return good / len(cells)
    if quantity.dimension == "flag":
        return 1.0
    if quantity.name == "coil":
        known = sum(word_code("coil", cell, {}) is not None for cell in cells)
        return known / len(cells)
    if quantity.name == "utility" and WORD_CODES:
        numeric = sum(isinstance(odd_number(c, "ratio", 1.0, decimal), float) for c in cells)
        return 1.0 - numeric / len(cells)
    return 1.0

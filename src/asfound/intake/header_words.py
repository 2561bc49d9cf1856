"""Reading a column's title: which quantity it may name, in which unit, and what else it says."""

from __future__ import annotations

import re
from dataclasses import dataclass

from asfound.intake.quantities import Quantity
from asfound.intake.units_at_the_edge import unit_code
from asfound.intake.words import plain_words

# Words that say where a value is from, not what it is.
_NEUTRAL = frozenset(
    [
        "gps",
        "gnss",
        "rtk",
        "em",
        "the",
        "of",
        "in",
        "at",
        "reading",
        "value",
        "values",
        "locate",
        "survey",
        "measured",
        "raw",
        "logged",
        "utc",
        "gmt",
        "local",
        "zulu",
        "geo",
        "wgs84",
        "wgs",
        "nad83",
        "nad",
        "itrf2020",
        "itrf2014",
        "itrf",
        "etrs89",
        "etrs",
        "gda2020",
        "2011",
        "2020",
        "2014",
        "84",
        "83",
        "89",
        "antenna",
        "phase",
        "centre",
        "center",
        "ground",
        "tip",
        "dd",
        "decimal",
        "us",
        "grid",
        "total",
        "avg",
        "mean",
        "text",
        "z",
        "n",
        "s",
        "e",
        "w",
        "#",
    ]
)
_POSITION_WORDS = ("antenna", "apc", "phase", "ground", "tip")


@dataclass(frozen=True)
class Title:
    """A column's title taken apart.

    Parameters
    ----------
    text : str
        As it stands in the file.
    words : tuple of str
        Lower case, outside brackets.
    brackets : tuple of str
        What stands in brackets, and what follows a last comma or slash.
    """

    text: str
    words: tuple[str, ...]
    brackets: tuple[str, ...]

    @property
    def all_words(self) -> frozenset[str]:
        """Every word of it, in brackets or not."""
        return frozenset((*self.words, *" ".join(self.brackets).lower().split()))


def read_title(text: str) -> Title:
    """A title taken apart: ``Depth (ft)``, ``depthFt``, ``DEPTH_FT``, ``Depth, ft``."""
    brackets = re.findall(r"[(\[{<]([^)\]}>]*)[)\]}>]", text)
    outside = re.sub(r"[(\[{<][^)\]}>]*[)\]}>]", " ", text)
    # Not for kHz, mA, dB: a capital after a single small letter belongs to a unit.
    outside = re.sub(r"(?<=[a-zà-ÿ]{2})(?=[A-Z])", " ", outside)
    brackets += re.findall(r"[,:]\s*([^,:]+)$", outside)
    words = tuple(re.findall(r"[a-z0-9]+|[%#°]", plain_words(outside)))
    return Title(text, words, tuple(part.strip() for part in brackets))


def unit_in_title(title: Title, dimension: str) -> str:
    """Unit code that a title gives for a dimension; empty if none."""
    for part in title.brackets:
        code = unit_code(dimension, part)
        if code:
            return code
        for word in re.split(r"[,;]\s*|\s+", part):
            code = unit_code(dimension, word) if len(word) > 1 or word == part else None
            if code:
                return code
    for count in (3, 2, 1):
        if len(title.words) > count or (count == 1 and len(title.words) == 1):
            code = unit_code(dimension, "".join(title.words[-count:]))
            # A single letter is a unit only behind another word.
            if code and (len(title.words) > count or len(title.words[0]) > 1):
                return code
    return ""


def score(title: Title, quantity: Quantity) -> int:
    """How well a title names a quantity; 0 for not at all."""
    best = 0
    for phrase in quantity.words:
        wanted = tuple(phrase.split())
        place = _find(title.words, wanted)
        if place < 0:
            continue
        rest = [*title.words[:place], *title.words[place + len(wanted) :]]
        rest = _without_unit(rest, quantity.dimension)
        if all(len(word) == 1 for word in wanted) and rest:
            continue  # single letters mean something only alone
        if any(word in ("unit", "units") for word in rest):
            continue
        extra = [w for w in rest if w not in _NEUTRAL and not w.isdigit()]
        points = 10 * len(wanted) + (3 if not rest else 0) - 4 * len(extra)
        points += 2 * (place + len(wanted) == len(title.words))
        best = max(best, points)
    return best


def _find(words: tuple[str, ...], wanted: tuple[str, ...]) -> int:
    for place in range(len(words) - len(wanted) + 1):
        if words[place : place + len(wanted)] == wanted:
            return place
    return -1


def _without_unit(words: list[str], dimension: str) -> list[str]:
    for count in (3, 2, 1):
        if len(words) >= count and unit_code(dimension, "".join(words[-count:])):
            return words[:-count]
    return words


def position_word(title: Title) -> str:
    """``'antenna'`` or ``'ground'`` where a title says what a position is of; else empty."""
    found = [word for word in _POSITION_WORDS if word in title.all_words]
    if not found:
        return ""
    return "antenna" if found[0] in ("antenna", "apc", "phase") else "ground"

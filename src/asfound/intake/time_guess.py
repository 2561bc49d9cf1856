"""Times: the order of day, month and year, and the zone."""

from __future__ import annotations

import re

from asfound.intake.header_words import Title
from asfound.intake.mapping import OPEN, Doubt

_PARTS = re.compile(r"(\d{1,4})\s*([-/. ])\s*(\d{1,2}|[^\W\d]{3,12}\.?)\s*[-/., ]\s*(\d{1,4})")
_ZONED = re.compile(r"(?:[Zz]|UTC|GMT|\d[-+\u2212]\d{2}:?\d{2})$")
_ORDERS = {
    "dmy": "dmy",
    "mdy": "mdy",
    "ymd": "ymd",
    "iso": "iso",
    "unix": "unix",
    "unix-ms": "unix-ms",
}


def guess_time_form(
    name: str, title: str, cells: list[str], declared: str
) -> tuple[str, Doubt | None, bool]:
    """Form of a column of times, what is to be said, and whether it is left open."""
    if declared in _ORDERS:
        return declared, None, False
    remedy = (
        f'Give --unit "{title}=dmy" (day first) or "{title}=mdy" (month first); form under '
        f"[columns.{name}]."
    )
    numbers = [float(cell) for cell in cells if re.fullmatch(r"\d{9,13}(\.\d+)?", cell)]
    if cells and len(numbers) > 0.5 * len(cells):
        return ("unix-ms" if max(numbers) > 1e11 else "unix"), None, False
    found = [m for m in (_PARTS.search(cell) for cell in cells) if m]
    dates = [m for m in found if len(m[1]) < 3 and m[3].isdigit()]
    if not dates:
        named = any(not m[3].isdigit() for m in found)
        return ("dmy" if named else "iso"), None, False
    first = max(int(m[1]) for m in dates)
    second = max(int(m[3]) for m in dates)
    short = Doubt(
        name,
        f"Column '{title}' has years of two digits.",
        "They are taken as 1980 to 2079.",
        "Export four digits if that is wrong.",
    )
    short_years = short if any(len(m[4]) <= 2 for m in dates) else None
    if first > 12 and second > 12:
        doubt = Doubt(
            name,
            f"Column '{title}' has days both first and second.",
            f"'{dates[0][0]}' and others can't be one order.",
            remedy,
        )
        return OPEN, doubt, True
    if first > 12:
        return "dmy", short_years, False
    if second > 12:
        return "mdy", short_years, False
    if all(m[2] == "." for m in dates):
        doubt = Doubt(
            name,
            f"Dates in column '{title}' are taken as day.month.year.",
            "With dots that is the usual order.",
            remedy,
        )
        return "dmy", short_years or doubt, False
    doubt = Doubt(
        name,
        f"Column '{title}' may have the day or the month first.",
        f"'{dates[0][0]}' can be read both ways, and so can all others.",
        remedy,
    )
    return OPEN, doubt, True


def guess_zone(
    titles: list[Title], cells: list[str], forms: set[str], strict: bool, lead: str
) -> tuple[str, Doubt | None, bool]:
    """Zone of times without their own, what is to be said, and whether it is left open."""
    if forms & {"unix", "unix-ms"} or (cells and all(_ZONED.search(cell) for cell in cells)):
        return "UTC", None, False
    words = {word for title in titles for word in title.all_words}
    if words & {"utc", "gmt", "zulu", "z"}:
        return "UTC", None, False
    if {"gps", "time"} <= words or "gpst" in words:
        doubt = Doubt(
            "time",
            "Times are taken in GPS time, 18 s ahead of UTC since 2017.",
            "The title says GPS.",
            "If they are UTC, give --zone UTC (time_zone in the mapping file).",
        )
        return "GPS", doubt, False
    said = re.search(
        r"(?i)\b(?:time\s*)?zone\W{1,3}(UTC\s*[-+]\d{1,2}(?::?\d\d)?|UTC|GMT|[-+]\d{2}:?\d{2})",
        lead,
    )
    if said:
        zone = said[1].upper().replace(" ", "").replace("GMT", "UTC")
        doubt = Doubt(
            "time",
            f"Times are taken in zone {zone}.",
            "The lines before the header say so.",
            "Give --zone (time_zone in the mapping file).",
        )
        return zone, doubt, False
    remedy = "Give --zone, such as America/Chicago, -06:00 or UTC (time_zone in the mapping file)."
    local = bool(words & {"local", "ortszeit", "lokal"})
    if strict:
        doubt = Doubt(
            "time",
            "The times name no zone" + (", and the title says local." if local else "."),
            "The shots' times are needed to place them.",
            remedy,
        )
        return OPEN, doubt, True
    doubt = Doubt(
        "time",
        "The times name no zone; they are taken as UTC.",
        "They are used for the order of shots only.",
        remedy,
    )
    return "", doubt, False

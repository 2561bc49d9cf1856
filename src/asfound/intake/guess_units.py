"""The unit and form of each column: declared, in its title, or by its values."""

from __future__ import annotations

import re

import numpy as np

from asfound.errors import FrameError, InputError
from asfound.geodesy import resolve_frame
from asfound.intake.columns_guess import Matched, numbers_of
from asfound.intake.features import GEOMETRY_HEIGHT
from asfound.intake.guess_state import Guess
from asfound.intake.header_words import read_title, unit_in_title
from asfound.intake.mapping import OPEN, Column, Part
from asfound.intake.numbers import MISSING, odd_number
from asfound.intake.position_guess import guess_angle
from asfound.intake.unit_guess import fitting_units, guess_unit
from asfound.intake.units_at_the_edge import SCALES, unit_code

_MEANINGS = {"95": "95 percent", "2drms": "2drms", "cep": "cep", "drms": "drms"}
_UNIT_WORDS = {"ft": "feet", "in": "inches", "cm": "centimetres", "mm": "millimetres"}
_GRID_AXES = (
    "easting", "northing", "start_easting", "start_northing", "end_easting", "end_northing",
)  # fmt: skip


def map_column(guess: Guess, name: str, match: Matched) -> None:
    """Maps a column, with its unit and form."""
    if name == "frame":
        return
    quantity, key = match.quantity, guess.key(match.index)
    declared = guess.units.get(match.index, "")
    if quantity.dimension == "geographic":
        guess.columns[name] = _angle_column(guess, name, match, key, declared)
    elif quantity.dimension == "time":
        guess.columns[name] = Column(key)  # its form comes with `_times`
    elif quantity.dimension in SCALES and quantity.dimension not in ("ratio", "count"):
        guess.columns[name] = _measured(guess, name, match, key, declared)
    else:
        guess.columns[name] = Column(key)


def _angle_column(guess: Guess, name: str, match: Matched, key: str | int, declared: str) -> Column:
    cells = guess.cells[match.index]
    unit, form, hemisphere, doubts = guess_angle(
        name, match.title, cells, declared, guess.sample.decimal
    )
    guess.doubts += doubts
    return Column(key, unit, form, hemisphere)


def _measured(guess: Guess, name: str, match: Matched, key: str | int, declared: str) -> Column:
    dimension = match.quantity.dimension
    form = _meaning(guess, name, match) if name.endswith("_sd") else ""
    cells = guess.cells[match.index]
    unit = ""
    if declared:
        if name == "depth" and declared.endswith("negative"):
            form, declared = "negative", declared.removesuffix("negative").strip()
        unit = unit_code(dimension, declared) or ""
        if not unit and declared in ("95 percent", "drms", "2drms", "cep", "1 sigma"):
            form = declared
        elif not unit and declared:
            raise InputError(
                f"'{declared}' is not a unit of {match.quantity.title}.",
                where=f"--unit {guess.title(match)}",
                remedy=f"Use one of {', '.join(SCALES[dimension])}.",
            )
    unit = unit or unit_in_title(match.title, dimension) or _unit_beside(guess, match)
    if dimension == "length" and not unit and _feet_and_inches(cells, guess.sample.decimal):
        unit = "ft in"
    if name in _GRID_AXES:
        return Column(key, _grid_unit(guess, name, match, unit, bool(declared)))
    if name == "height" and unit == "ft" and not declared:
        unit = _foot_of_frame(guess, match)
    values = numbers_of(cells, guess.sample.decimal)
    if name == "depth":
        form = form or _depth_sign(guess, match, values)
    if dimension == "length" and _unreadable(guess, name, match, unit, bool(declared)):
        return Column(key, OPEN, form)
    if unit:
        _against_unit(guess, name, match, unit, values)
        return Column(key, unit, form)
    lengths = _usual_length(guess) if dimension == "length" else ""
    found = guess_unit(name, guess.title(match), values, lengths)
    if found.doubt:
        (guess.open if found.ambiguous else guess.doubts).append(found.doubt)
    return Column(key, found.unit, form)


def _unreadable(guess: Guess, name: str, match: Matched, unit: str, declared: bool) -> bool:
    """Whether hardly a cell of a column can be read; if so, asks."""
    cells = [cell for cell in guess.cells[match.index] if cell.lower() not in MISSING]
    scale = None if unit == "ft in" else 1.0
    read = sum(
        isinstance(odd_number(cell, "length", scale, guess.sample.decimal), float) for cell in cells
    )
    if not cells or read >= 0.5 * len(cells):
        return False
    title, shown = guess.title(match), ", ".join(f"'{cell}'" for cell in cells[:3])
    feet = sum(
        isinstance(odd_number(cell, "length", None, guess.sample.decimal), float) for cell in cells
    )
    guess.ambiguity(
        name,
        f"Column '{title}' holds {shown}, which can't be read as a length"
        + (f" in {unit}." if unit else "."),
        "Readings that came in must not be lost.",
        (
            f'If they are feet and inches, give --unit "{title}=ft in". '
            if feet >= 0.5 * len(cells) and not declared
            else "Write them as plain numbers in a copy of the file. "
        )
        + f"If they are no readings, leave out [columns.{name}] in the mapping file.",
    )
    return True


def _unit_beside(guess: Guess, match: Matched) -> str:
    """Unit that a column such as "Depth unit" gives for all rows; empty if there is none."""
    for index, text in enumerate(guess.sample.titles):
        words = read_title(text).words
        if not {"unit", "units"} & set(words) or not set(match.title.words) & set(words):
            continue
        said = {cell.strip() for cell in guess.cells[index]}
        unit = unit_code(match.quantity.dimension, said.pop()) if len(said) == 1 else None
        if unit:
            guess.doubt(
                match.quantity.name,
                f"Column '{guess.title(match)}' is taken in {unit}.",
                f"Column '{text}' says so in the rows looked at.",
                f"Set unit under [columns.{match.quantity.name}] in the mapping file.",
            )
            return unit
    return ""


def _depth_sign(guess: Guess, match: Matched, values: list[float]) -> str:
    """Form of depths; they may be written as negative numbers."""
    of_top = any(word in match.title.words for word in ("cover", "top", "deckung", "uberdeckung"))
    if of_top and not guess.hints.depth_to:
        guess.doubt(
            "depth_to",
            f"Column '{guess.title(match)}' is taken as the depth to the centre of the current.",
            "The title speaks of the cover; a receiver reads to the centre.",
            "If it is the depth to the top, give --depth-to top (depth_to in the mapping file); "
            "half of the outside diameter declared for the line is then added.",
        )
    negative = sum(value < 0 for value in values)
    if negative <= 0.5 * len(values):
        return ""
    guess.ambiguity(
        "depth",
        f"Depths in column '{guess.title(match)}' are mostly negative.",
        "They may be depths with a minus, or heights above something.",
        'If they are depths, set form = "negative" under [columns.depth], or give --unit '
        f'"{guess.title(match)}=m negative" (or ft negative).',
    )
    return OPEN


def _meaning(guess: Guess, name: str, match: Matched) -> str:
    words = " ".join((*match.title.words, *match.title.brackets)).lower()
    for sign, meaning in _MEANINGS.items():
        if sign in words.split() or sign in re.split(r"\W+", words):
            return meaning
    if name == "horizontal_sd" or "accuracy" in words or "precision" in words:
        usual = "drms" if name == "horizontal_sd" else "1 sigma"
        guess.doubt(
            name,
            f"Column '{guess.title(match)}' is taken as "
            + ("a radial error of one sigma (DRMS)." if usual == "drms" else "one sigma."),
            "It does not say which probability it stands for.",
            f"Set form under [columns.{name}]: 1 sigma, drms, 2drms, 95 percent or cep.",
        )
        return usual
    return ""


def _against_unit(guess: Guess, name: str, match: Matched, unit: str, values: list[float]) -> None:
    """A unit in the title that the values don't fit."""
    if name == "antenna_height" and unit == "m" and values and np.median(values) > 3.5:
        fitting = fitting_units(name, values)
        likely = next((other for other in _UNIT_WORDS if other in fitting), "")
        guess.doubt(
            name,
            f"Column '{guess.title(match)}' says metres, but its values (about "
            f"{np.median(values):g}) "
            + (f"look like {_UNIT_WORDS[likely]}." if likely else "are no pole's height."),
            "Poles are 1.5 to 2.5 m long.",
            f'If so, give --unit "{guess.title(match)}={likely or "..."}".',
        )
    if name == "depth" and unit == "m" and values and np.median(values) > 6:
        guess.doubt(
            name,
            f"Column '{guess.title(match)}' says metres, but its values (about "
            f"{np.median(values):g}) are deep.",
            "Receivers seldom reach deeper than 6 m.",
            f'If they are in another unit, give --unit "{guess.title(match)}=...".',
        )


def _usual_length(guess: Guess) -> str:
    """The unit that the titles of lengths agree on; empty if they don't."""
    found = set()
    for name, match in guess.matched.items():
        if match.quantity.dimension == "length" and name != "base_distance":
            unit = guess.units.get(match.index) or unit_in_title(match.title, "length")
            if unit:
                found.add(unit)
    return found.pop() if len(found) == 1 and not found & {"ft in", "in", "cm", "mm"} else ""


def _grid_unit(guess: Guess, name: str, match: Matched, unit: str, declared: bool) -> str:
    """Unit of grid coordinates: the frame's own, unless the title says another."""
    own = guess.facts.unit_metres if guess.facts and not guess.facts.geographic else None
    if not unit or unit == "ft in":
        return "grid"
    if own is None or declared or unit != "ft":
        return unit
    if abs(own - 0.3048) < 1e-4:
        return "grid"  # a foot, and the frame says which
    guess.ambiguity(
        name,
        f"Column '{guess.title(match)}' is in feet, but does not say which.",
        "International and US survey feet differ by 2 ppm: a metre and more in grid coordinates.",
        f'Give --unit "{guess.title(match)}=ft" (international) or ftUS; unit under '
        f"[columns.{name}].",
    )
    return OPEN


def _foot_of_frame(guess: Guess, match: Matched) -> str:
    own = guess.facts.unit_metres if guess.facts and not guess.facts.geographic else 1.0
    unit = "ftUS" if abs(own - 1200 / 3937) < 1e-9 else "ft"
    which = "US survey" if unit == "ftUS" else "international"
    guess.doubt(
        "height",
        f"Column '{guess.title(match)}' is taken in {which} feet.",
        "The two feet differ by 2 mm in 1000 m.",
        "Set unit under [columns.height] in the mapping file.",
    )
    return unit


def geometry_height(guess: Guess) -> None:
    """The third coordinate of points, where no attribute is the height."""
    if GEOMETRY_HEIGHT not in guess.sample.titles or "height" in guess.columns:
        return
    declared = guess.units.get(guess.sample.titles.index(GEOMETRY_HEIGHT), "")
    unit = unit_code("length", declared) or ""
    if declared and not unit:
        raise InputError(
            f"'{declared}' is not a unit of heights.",
            where=f"--unit '{GEOMETRY_HEIGHT}'",
            remedy=f"Use one of {', '.join(SCALES['length'])}.",
        )
    # RFC 7946, section 4, and KML 2.3 say metres; elsewhere a vertical axis says its unit.
    if not unit and guess.format in ("geojson", "kml"):
        unit = "m"
    unit = unit or _length_code(_vertical_unit(guess.frame.crs))
    if unit:
        guess.columns["height"] = Column(GEOMETRY_HEIGHT, unit)
        return
    own = guess.facts.unit_metres if guess.facts and not guess.facts.geographic else 1.0
    plane = _length_code(own)
    if plane == "m":
        guess.columns["height"] = Column(GEOMETRY_HEIGHT, "m")
        guess.doubt(
            "height",
            "Heights of the points are taken in metres.",
            "The file's frame has no vertical axis, so nothing says their unit.",
            f'Give --unit "{GEOMETRY_HEIGHT}=ft" (or ftUS), or unit under [columns.height].',
        )
        return
    guess.columns["height"] = Column(GEOMETRY_HEIGHT, OPEN)
    guess.ambiguity(
        "height",
        f"Heights of the points are in {plane or 'the unit of the plane'} or in metres.",
        "The frame's plane is in feet, but it has no vertical axis that says what heights are in.",
        f'Give --unit "{GEOMETRY_HEIGHT}={plane or "ft"}" or "{GEOMETRY_HEIGHT}=m" (unit under '
        "[columns.height]).",
    )


def _length_code(metres: float) -> str:
    """Code of a unit of so many metres; empty if it has none."""
    known = (unit for unit in ("m", "ft", "ftUS") if abs(SCALES["length"][unit] - metres) < 1e-9)
    return next(known, "")


def _vertical_unit(crs: str) -> float:
    """Metres in one unit of a frame's vertical axis; NaN where it has none."""
    try:
        axes = resolve_frame(crs).axis_info if crs != OPEN else ()
    except FrameError:
        axes = ()
    return next((a.unit_conversion_factor for a in axes if a.direction == "up"), float("nan"))


def second_parts(guess: Guess) -> None:
    """Inches beside feet, minutes and seconds beside degrees."""
    used = {match.index for match in guess.matched.values()}
    for name in ("depth", "antenna_height", "peak_null_separation", "position"):
        column = guess.columns.get(name)
        if column is None or column.unit not in ("ft", "ftUS"):
            continue
        words = set(guess.matched[name].title.words) - {"ft", "feet", "foot"}
        for index, text in enumerate(guess.sample.titles):
            title = read_title(text)
            if (
                index not in used
                and unit_in_title(title, "length") == "in"
                and words & set(title.words)
            ):
                part = Part(guess.key(index), "in")
                guess.columns[name] = Column(column.column, column.unit, plus=(part,))
                break
    for name in ("longitude", "latitude"):
        if name in guess.matched:
            _arc_parts(guess, name, used)


def _arc_parts(guess: Guess, name: str, used: set[int]) -> None:
    column, match = guess.columns[name], guess.matched[name]
    words = set(match.title.words) - {"deg", "degrees", "d"}
    parts = []
    for unit in ("min", "sec"):
        for index, text in enumerate(guess.sample.titles):
            title = read_title(text)
            said = unit_in_title(title, "geographic")
            if index not in used and said == unit and words & set(title.words):
                parts.append(Part(guess.key(index), unit))
                break
    if parts:
        guess.columns[name] = Column(column.column, "deg", plus=tuple(parts))


def _feet_and_inches(cells: list[str], decimal: str) -> bool:
    odd = [cell for cell in cells if odd_number(cell, "length", 1.0, decimal) is not None]
    marked = [cell for cell in odd if re.search(r"['\u2032\u2019\"\u2033]|ft|in", cell)]
    return bool(odd) and len(marked) > 0.5 * len(odd)

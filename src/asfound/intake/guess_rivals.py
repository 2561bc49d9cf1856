"""Columns that could hold a quantity, but were overlooked, or passed over for another one."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from asfound.intake.columns_guess import Matched, plausible
from asfound.intake.features import GEOMETRY_HEIGHT
from asfound.intake.guess_details import height_words
from asfound.intake.guess_state import AXES, Guess
from asfound.intake.header_words import Title, read_title, score, unit_in_title
from asfound.intake.mapping import OPEN
from asfound.intake.numbers import MISSING, odd_number
from asfound.intake.quantities import QUANTITIES, Quantity
from asfound.intake.units_at_the_edge import SCALES

_LENGTHS = ("height", "depth", "antenna_height")
_NAMED = 10
"""Points of a title that says nothing but the quantity."""
_SAME_LENGTH, _SAME_ANGLE = 0.02, 1e-6
"""Values as near as this are the same, in two units or roundings [m, degrees]."""


def preferred_columns(guess: Guess) -> frozenset[int]:
    """Columns that the user pointed at: by a unit, or heights of the kind declared."""
    picked = set(guess.units)
    for index, text in enumerate(guess.sample.titles):
        if guess.hints.heights and height_words(read_title(text)) == guess.hints.heights:
            picked.add(index)
    return frozenset(picked)


def take_overlooked(guess: Guess) -> None:
    """Takes columns whose titles name a length, though their cells can't be read as one.

    What can't be read is asked about later; readings that came in must not be lost in silence.
    """
    used = {match.index for match in guess.matched.values()}
    for name in _LENGTHS:
        quantity = QUANTITIES[name]
        if name in guess.matched or quantity.kind not in (guess.kind, "both"):
            continue
        named = [
            Matched(quantity, index, title, points)
            for index, title, points in _candidates(guess, quantity, used)
            if points >= _NAMED and _holds_digits(guess.cells[index])
        ]
        if named:
            match = max(named, key=lambda item: (item.points, -item.index))
            guess.matched[name] = match
            used.add(match.index)


def settle_rivals(guess: Guess) -> None:
    """Two columns that could both be the depth, a height or an axis: says so, or asks."""
    used = {match.index for match in guess.matched.values()}
    used |= {
        index
        for index in range(len(guess.sample.titles))
        for column in guess.columns.values()
        if guess.key(index) in (part.column for part in column.plus)
    }
    for name in (*AXES, *_LENGTHS):
        match = guess.matched.get(name)
        if match is None or name not in guess.columns or guess.columns[name].column == OPEN:
            continue
        rivals = [
            Matched(match.quantity, index, title, points)
            for index, title, points in _candidates(guess, match.quantity, used)
            if guess.cells[index]
            and plausible(match.quantity, title, guess.cells[index], guess.sample.decimal)
        ]
        if name in AXES:
            rivals = [rival for rival in rivals if rival.points >= match.points]
        differing = [rival for rival in rivals if not _alike(guess, match, rival)]
        if differing:
            _say(guess, name, match, differing)


def _candidates(guess: Guess, quantity: Quantity, used: set[int]) -> list[tuple[int, Title, int]]:
    """Unused columns whose titles name a quantity, with their points."""
    found = []
    for index, text in enumerate(guess.sample.titles):
        title = read_title("" if text == GEOMETRY_HEIGHT else text)
        points = score(title, quantity) if index not in used else 0
        if points > 0:
            found.append((index, title, points))
    return found


def _holds_digits(cells: list[str]) -> bool:
    present = [cell for cell in cells if cell.lower() not in MISSING]
    digits = sum(bool(re.search(r"\d", cell)) for cell in present)
    return digits > 0 and digits >= 0.5 * len(present)


def _alike(guess: Guess, one: Matched, other: Matched) -> bool:
    """Whether two columns tell the same, be it in two units."""
    dimension, decimal = one.quantity.dimension, guess.sample.decimal
    cells = [
        (row[one.index], row[other.index])
        for row in guess.sample.rows
        if row[one.index] and row[other.index]
    ]
    if dimension == "geographic" and not all(
        isinstance(odd_number(text, "ratio", 1.0, decimal), float)
        for pair in cells
        for text in pair
    ):
        return True  # degrees written in two ways
    scales = [_scale(match, dimension) for match in (one, other)]
    read = [
        [
            odd_number(text, dimension, scale, decimal)
            for text, scale in zip(pair, scales, strict=True)
        ]
        for pair in cells
    ]
    numbers = np.array(
        [[value if isinstance(value, float) else np.nan for value in pair] for pair in read]
    ).reshape(-1, 2)
    off = np.abs(numbers[:, 0] - numbers[:, 1])
    near = _SAME_ANGLE if dimension == "geographic" else _SAME_LENGTH
    return not (off > near).any()


def _scale(match: Matched, dimension: str) -> float:
    unit = unit_in_title(match.title, dimension)
    return SCALES[dimension].get(unit, 1.0) if dimension in SCALES else 1.0


def _say(guess: Guess, name: str, match: Matched, rivals: list[Matched]) -> None:
    """A doubt where the title or the user decides between the columns, else a question."""
    title = QUANTITIES[name].title
    shown = " and ".join(f"'{guess.title(r)}' (number {r.index + 1})" for r in rivals)
    taken = f"'{guess.title(match)}' (number {match.index + 1})"
    picked = preferred_columns(guess)
    tied = [r for r in rivals if r.points >= match.points and match.index not in picked]
    remedy = f"Set column under [columns.{name}] in the mapping file to the right one's number"
    if not tied:
        guess.doubt(
            name,
            f"Column {taken} is taken as the {title}; {shown} is not used.",
            "Both titles name it, and their values differ.",
            f"{remedy}, if it is the other.",
        )
        return
    guess.columns[name] = replace(guess.columns[name], column=OPEN)
    guess.ambiguity(
        name,
        f"Columns {taken} and {shown} could both be the {title}.",
        "Their titles say the same, and their values differ.",
        f"{remedy}, or give its unit by its number, as --unit "
        f'"{match.index + 1}={guess.columns[name].unit or "m"}".',
    )

"""Which pair of columns holds the position, and what to say where none does."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from asfound.geodesy import resolve_frame
from asfound.intake.columns_guess import Matched, numbers_of
from asfound.intake.guess_crs import facts_of
from asfound.intake.guess_state import AXES, Guess
from asfound.intake.header_words import read_title
from asfound.intake.mapping import OPEN, Column
from asfound.intake.quantities import QUANTITIES

_AXIS = re.compile(r"\W*[xy]\W*(?:\[?m\]?|metres?|meters?)?\W*", re.IGNORECASE)


def no_position(guess: Guess) -> None:
    wanted = ("longitude", "latitude")
    if {"easting", "northing"} & guess.matched.keys():
        wanted = ("easting", "northing")
    for name in wanted:
        if name not in guess.matched:
            guess.columns[name] = Column(OPEN, unit="deg" if wanted[0] == "longitude" else "m")
    names = ", ".join(title for title in guess.sample.titles if title) or "no titles"
    guess.ambiguity(
        "position",
        "No pair of columns could be told to hold the position.",
        f"The file's columns: {names}.",
        f"Name the columns under [columns.{wanted[0]}] and [columns.{wanted[1]}] in the "
        "mapping file.",
    )


def sweep_needs(guess: Guess) -> None:
    """What a sweep can't be read without."""
    for name in ("coil_height", "coil"):
        if name not in guess.matched:
            guess.columns[name] = Column(OPEN, unit="m" if name == "coil_height" else "")
            title = QUANTITIES[name].title
            guess.ambiguity(
                name,
                f"No column holds the {title}.",
                "A sweep can't be understood without it.",
                f"Name the column under [columns.{name}] in the mapping file; add one to a "
                "copy of the file if there is none.",
            )
    for end in ("start", "end"):
        placed = any(
            {f"{end}_{a}", f"{end}_{b}"} <= guess.matched.keys()
            for a, b in (("longitude", "latitude"), ("easting", "northing"))
        )
        if not placed:
            for axis in ("longitude", "latitude"):
                guess.columns[f"{end}_{axis}"] = Column(OPEN, unit="deg")
            guess.ambiguity(
                "sweep",
                f"No columns hold the coordinates of the tape's {end}.",
                "Without them the sweep can't be placed.",
                f"Name them under [columns.{end}_longitude] and [columns.{end}_latitude] in "
                "the mapping file; one row of each sweep is enough.",
            )


def without_header(guess: Guess) -> None:
    """A table without titles: longitude and latitude may be told by their values only."""
    guess.ambiguity(
        "header_line",
        "The file has no header line, so the columns have no titles.",
        "Numbers alone don't say what they are, nor in which unit.",
        "Name the columns by number (column = 1 is the first) in the mapping file, or add a "
        "header line to a copy of the file.",
    )
    for index, cells in enumerate(guess.cells):
        numbers = numbers_of(cells, guess.sample.decimal)
        if not cells or len(numbers) < len(cells) or not any(v % 1 for v in numbers):
            continue
        spread = np.ptp(numbers)
        fits = {
            "latitude": 10 < abs(numbers[0]) < 75 and spread < 0.5,
            "longitude": 10 < abs(numbers[0]) <= 180 and spread < 0.5,
        }
        for name, fit in fits.items():
            decimals = max(len(cell.partition(guess.sample.decimal)[2]) for cell in cells)
            if fit and decimals >= 5 and name not in guess.matched:
                title = read_title("")
                guess.matched[name] = Matched(QUANTITIES[name], index, title, 1)
                break


def one_pair_of_axes(guess: Guess) -> None:
    """Plain x and y with values of degrees are longitude and latitude."""
    if "longitude" in guess.matched or not {"easting", "northing"} <= guess.matched.keys():
        return
    x, y = (guess.numbers(name) for name in ("easting", "northing"))
    if not x or not y:
        return
    degrees = max(map(abs, x)) <= 180 and max(map(abs, y)) <= 90
    fine = any(v % 1 for v in x) and np.ptp(x) < 2 and np.ptp(y) < 2
    declared = guess.hints.frame and facts_of(guess.hints.frame)
    if degrees and fine and not (declared and not declared.geographic):
        for old, new in (("easting", "longitude"), ("northing", "latitude")):
            match = guess.matched.pop(old)
            guess.matched[new] = Matched(QUANTITIES[new], match.index, match.title, match.points)
            guess.doubt(
                new,
                f"Column '{guess.title(match)}' is taken as {new}.",
                "Its values are degrees.",
                f"Map [columns.{old}] instead in the mapping file.",
            )


def drop_wrong_axes(guess: Guess) -> None:
    """Of longitude, latitude and easting, northing keeps the pair the frame speaks in."""
    if not all(name in guess.matched for name in AXES):
        return
    grid = guess.facts is not None and not guess.facts.geographic
    dropped = AXES[:2] if grid else AXES[2:]
    for name in dropped:
        del guess.matched[name]
    guess.doubt(
        "position",
        f"The file also holds {dropped[0]} and {dropped[1]}; they are not used.",
        "The frame is a grid." if grid else "The frame has degrees.",
        "Declare the frame of the other pair to use that.",
    )


def either_way_round(guess: Guess) -> None:
    """Plain x and y in a frame whose own X is the northing: which is meant is asked."""
    pair = [guess.matched.get(name) for name in AXES[2:]]
    if guess.facts is None or guess.facts.geographic or None in pair:
        return
    letters = [_AXIS.fullmatch(match.title.text) for match in pair if match]
    axes = resolve_frame(guess.frame.crs).axis_info
    if not all(letters) or axes[0].abbrev.upper() != "X" or axes[0].direction != "north":
        return
    x, y = (guess.columns[name].column for name in AXES[2:])
    for name in AXES[2:]:
        guess.columns[name] = replace(guess.columns[name], column=OPEN)
    guess.ambiguity(
        "easting",
        f"Whether column '{x}' is the easting or the northing can't be told.",
        f"In {guess.frame.crs} X is the northing and Y the easting; much software writes x for the "
        "easting all the same.",
        f"In the mapping file set [columns.easting] to '{y}' and [columns.northing] to '{x}' if "
        "the file keeps to the frame's letters, else the other way round.",
    )


def kind_of(guess: Guess, shots: dict[str, Matched], sweeps: dict[str, Matched]) -> str:
    along_a_tape = {"position", "reading"} <= sweeps.keys()
    if along_a_tape and ({"coil", "sweep"} & sweeps.keys()):
        return "sweeps"
    placed = {"longitude", "latitude"} <= shots.keys() or {
        "easting",
        "northing",
    } <= shots.keys()
    timed = "time" in shots
    reads = {"depth", "current", "signal"} & shots.keys()
    if not placed and not guess.located and timed and reads and guess.sample.header_line:
        return "readings without position"
    if along_a_tape and not placed and not guess.located and "depth" not in shots:
        return "sweeps"  # typed from a tape measure, with little else
    return "shots"

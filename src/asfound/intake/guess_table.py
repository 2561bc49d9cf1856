"""The mapping of a table, guessed step by step."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from asfound.intake.columns_guess import match_columns
from asfound.intake.features import GEOMETRY_HEIGHT, Features
from asfound.intake.guess_axes import (
    drop_wrong_axes,
    either_way_round,
    kind_of,
    no_position,
    one_pair_of_axes,
    sweep_needs,
    without_header,
)
from asfound.intake.guess_crs import frame_of_file
from asfound.intake.guess_details import (
    settle_heights,
    settle_point,
    settle_readings,
    settle_signs,
    settle_times,
    settle_words,
)
from asfound.intake.guess_rivals import preferred_columns, settle_rivals, take_overlooked
from asfound.intake.guess_state import Guess
from asfound.intake.guess_units import geometry_height, map_column, second_parts
from asfound.intake.hints import Hints
from asfound.intake.mapping import Doubt, Mapping
from asfound.intake.sample import Sample

Guessed = tuple[Mapping, tuple[Doubt, ...], tuple[Doubt, ...]]
"""Mapping, doubts, ambiguities."""


def guess_table(sample: Sample, hints: Hints) -> Guessed:
    """Mapping, doubts and ambiguities of delimited text."""
    guess = Guess(sample, hints, located=False)
    _guess(guess)
    return _mapping(guess), tuple(guess.doubts), tuple(guess.open)


def guess_features(sample: Sample, hints: Hints, features: Features, file_format: str) -> Guessed:
    """Mapping, doubts and ambiguities of a GIS file."""
    guess = Guess(sample, hints, located=True, crs=features.crs, file_format=file_format)
    _guess(guess)
    mapping = replace(_mapping(guess), format=file_format, layer=features.layer)
    return mapping, tuple(guess.doubts), tuple(guess.open)


def _guess(guess: Guess) -> None:
    """All steps; each may add doubts and open questions."""
    _match(guess)
    _lead(guess)
    if guess.kind == "shots" and not guess.located and not guess.has_position():
        no_position(guess)
    if guess.kind == "sweeps":
        sweep_needs(guess)
    one_pair_of_axes(guess)
    guess.frame = frame_of_file(guess)
    drop_wrong_axes(guess)
    for name, match in guess.matched.items():
        map_column(guess, name, match)
    either_way_round(guess)
    geometry_height(guess)
    second_parts(guess)
    settle_rivals(guess)
    settle_signs(guess)
    settle_times(guess)
    settle_heights(guess)
    settle_point(guess)
    settle_words(guess)
    settle_readings(guess)


def _match(guess: Guess) -> None:
    """Which column holds what, and which kind of rows they are."""
    titles = tuple("" if t == GEOMETRY_HEIGHT else t for t in guess.sample.titles)
    preferred = preferred_columns(guess)
    shots, sweeps = (
        match_columns(titles, guess.cells, kind, guess.sample.decimal, preferred)
        for kind in ("shots", "sweeps")
    )
    guess.kind = guess.kind or kind_of(guess, shots, sweeps)
    guess.matched = sweeps if guess.kind == "sweeps" else shots
    take_overlooked(guess)


def _lead(guess: Guess) -> None:
    """What stands before the rows."""
    sample = guess.sample
    if not sample.header_line:
        if not guess.located:
            without_header(guess)
        return
    for note in sample.notes:
        guess.doubt("header_line", note, "", "Set header_line in the mapping file.")
    if sample.header_line > 1 and any(not line.startswith("#") for line in sample.lead):
        guess.doubt(
            "header_line",
            f"Lines 1 to {sample.header_line - 1} are taken as text before the header.",
            "They do not look like rows.",
            "Set header_line in the mapping file.",
        )


def _mapping(guess: Guess) -> Mapping:
    hints, sample = guess.hints, guess.sample
    return Mapping(
        kind=guess.kind,
        encoding=sample.encoding,
        separator=sample.separator,
        decimal=sample.decimal,
        header_line=sample.header_line,
        columns=guess.columns,
        time_zone=guess.zone,
        frame=guess.frame,
        position_accuracy=hints.position_accuracy,
        position_of=guess.position_of or "antenna",
        depth_to=hints.depth_to or "centre",
        receiver=hints.receiver,
        hookup=hints.hookup,
        crew=hints.crew,
        antenna_height=hints.antenna_height,
        utility=hints.utility,
        received=hints.received or date.today(),
    )

"""Guessing how a file is to be read, with every doubt said and real ambiguities left open."""

from __future__ import annotations

from collections.abc import Iterator
from collections.abc import Mapping as Dictionary
from dataclasses import dataclass, replace
from datetime import date

from asfound.errors import InputError
from asfound.intake.features import sample_of
from asfound.intake.formats import detect_format
from asfound.intake.frame_guess import canonical, frame_doubts
from asfound.intake.gis import read_features
from asfound.intake.guess_table import guess_features, guess_table
from asfound.intake.hints import Hints, read_hints
from asfound.intake.kml import read_kml
from asfound.intake.mapping import OPEN, Doubt, Mapping
from asfound.intake.quantities import QUANTITIES
from asfound.intake.raw import Data
from asfound.intake.sample import take_sample
from asfound.model import Frame


@dataclass(frozen=True)
class MappingGuess:
    """A guessed mapping.

    Parameters
    ----------
    mapping : Mapping
        What could not be decided stands open in it.
    doubts : tuple of Doubt
        What was decided, but could be otherwise.
    ambiguities : tuple of Doubt
        What could not be decided: the file is not read before the user has.
    titles : tuple of str
        The file's columns.
    preview : tuple of tuple of str
        Cells of the first rows.
    """

    mapping: Mapping
    doubts: tuple[Doubt, ...]
    ambiguities: tuple[Doubt, ...]
    titles: tuple[str, ...]
    preview: tuple[tuple[str, ...], ...]

    def rows(self) -> Iterator[tuple[str, str, str]]:
        """Quantity, the file's column, and how it is read, for each mapped column."""
        for name, column in self.mapping.columns.items():
            parts = [column.unit, column.form if column.form != "decimal" else ""]
            parts += [f"all {column.hemisphere}"] if column.hemisphere else []
            parts += [f"plus '{part.column}' {part.unit}" for part in column.plus]
            where = str(column.column) if isinstance(column.column, str) else f"no. {column.column}"
            yield QUANTITIES[name].title, where, ", ".join(part for part in parts if part)

    def unused(self) -> tuple[str, ...]:
        """Titles of columns that are not taken for anything; the raw file keeps them."""
        used = {c.column for c in self.mapping.columns.values()}
        used |= {p.column for c in self.mapping.columns.values() for p in c.plus}
        return tuple(
            title
            for number, title in enumerate(self.titles, 1)
            if title and title not in used and number not in used
        )


def guess_mapping(
    data: Data, name: str, *, hints: Dictionary[str, object] | None = None
) -> MappingGuess:
    """Guess the mapping of a file.

    Parameters
    ----------
    data : bytes or Path
    name : str
        Name as received: its ending helps to tell the format.
    hints : dict
        What the user declares: frame, epoch, heights, geoid, zone, receiver, antenna_height (with
        unit), position_of, depth_to, utility, hookup, crew, units (column to unit),
        position_accuracy, kind, layer, received; and the job's frame, job_crs.

    Raises
    ------
    InputError
        If the file is empty, not a table, or a hint can't be used.
    """
    declared = read_hints(hints)
    kind = detect_format(data, name)
    if kind == "nmea":
        return _nmea_guess(declared)
    if kind == "delimited":
        sample = take_sample(data, name)
        mapping, doubts, ambiguities = guess_table(sample, declared)
        return _guess(mapping, doubts, ambiguities, sample.titles, sample.rows[:5])
    if kind == "kml":
        features = read_kml(data, name)
    else:
        features = read_features(data, name, kind, layer=declared.layer)
    if not len(features):
        raise InputError(
            "the file has no features.", where=name, remedy="Nothing was logged? Export it again."
        )
    sample = sample_of(features)
    mapping, doubts, ambiguities = guess_features(sample, declared, features, kind)
    return _guess(mapping, doubts, ambiguities, sample.titles, sample.rows[:5])


def _guess(
    mapping: Mapping,
    doubts: tuple[Doubt, ...],
    ambiguities: tuple[Doubt, ...],
    titles: tuple[str, ...],
    rows: tuple[tuple[str, ...], ...],
) -> MappingGuess:
    """The guess; its mapping carries the doubts on, so that results can repeat them."""
    assumed = tuple(f"{doubt.what} {doubt.why}".strip() for doubt in doubts)
    return MappingGuess(replace(mapping, assumed=assumed), doubts, ambiguities, titles, rows)


def _nmea_guess(hints: Hints) -> MappingGuess:
    """An NMEA log holds positions without readings: shots only if the user says so."""
    doubts, ambiguities = [], []
    kind = hints.kind or OPEN
    if kind == OPEN:
        ambiguities.append(
            Doubt(
                "kind",
                "The file is a log of positions (NMEA), without readings.",
                "Its epochs are no shots by themselves.",
                "Give it beside the file with the readings, as --track; or set kind = "
                '"shots" in the mapping file to take every epoch as a shot without depth.',
            )
        )
    frame = Frame(canonical(hints.frame) or OPEN, hints.epoch, hints.heights or "ellipsoidal")
    if frame.crs == OPEN:
        ambiguities.append(
            Doubt(
                "frame",
                "The reference frame of the coordinates is not declared anywhere.",
                "NMEA says WGS 84 whatever the correction service delivers.",
                "Give the frame of the correction service with --frame (crs under [frame]).",
            )
        )
    else:
        doubts += frame_doubts(frame.crs, hints.position_accuracy)
    mapping = Mapping(
        format="nmea",
        kind=kind,
        time_zone="UTC",
        frame=frame,
        position_accuracy=hints.position_accuracy,
        position_of=hints.position_of or "antenna",
        depth_to=hints.depth_to or "centre",
        receiver=hints.receiver,
        hookup=hints.hookup,
        crew=hints.crew,
        antenna_height=hints.antenna_height,
        utility=hints.utility,
        received=hints.received or date.today(),
    )
    return _guess(mapping, tuple(doubts), tuple(ambiguities), (), ())

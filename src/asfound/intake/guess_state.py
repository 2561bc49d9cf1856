"""What a guess knows so far, and what it has to say."""

from __future__ import annotations

from asfound.errors import InputError
from asfound.intake.columns_guess import Matched, numbers_of
from asfound.intake.frames import FrameFacts
from asfound.intake.hints import Hints
from asfound.intake.mapping import OPEN, Column, Doubt
from asfound.intake.sample import Sample
from asfound.model import Frame

AXES = ("longitude", "latitude", "easting", "northing")


class Guess:
    """State of a guess, filled step by step.

    Parameters
    ----------
    sample : Sample
    hints : Hints
    located : bool
        Positions come from geometries, not from columns.
    crs, file_format : str
        Of a GIS file.

    Attributes
    ----------
    doubts, open : list of Doubt
        What was decided but could be otherwise, and what could not be decided.
    kind : str
    matched : dict of str to Matched
        Column taken for each quantity.
    columns : dict of str to Column
        As the mapping will have them.
    frame, facts : Frame, FrameFacts or None
    zone, position_of : str
    """

    def __init__(
        self, sample: Sample, hints: Hints, *, located: bool, crs: str = "", file_format: str = ""
    ) -> None:
        self.sample, self.hints, self.located = sample, hints, located
        self.file_crs, self.format = crs, file_format
        self.doubts: list[Doubt] = []
        self.open: list[Doubt] = []
        self.cells = [sample.column(i) for i in range(len(sample.titles))]
        self.kind = hints.kind
        self.matched: dict[str, Matched] = {}
        self.columns: dict[str, Column] = {}
        self.frame = Frame(OPEN)
        self.facts: FrameFacts | None = None
        self.zone = hints.zone
        self.position_of = hints.position_of
        self.lead = " ".join(sample.lead)
        self.units = self._declared_units()

    def doubt(self, field: str, what: str, why: str, remedy: str) -> None:
        self.doubts.append(Doubt(field, what, why, remedy))

    def ambiguity(self, field: str, what: str, why: str, remedy: str) -> None:
        self.open.append(Doubt(field, what, why, remedy))

    def title(self, match: Matched) -> str:
        return match.title.text or f"number {match.index + 1}"

    def key(self, index: int) -> str | int:
        title = self.sample.titles[index]
        return title if title and self.sample.titles.count(title) == 1 else index + 1

    def numbers(self, name: str) -> list[float]:
        return numbers_of(self.cells[self.matched[name].index], self.sample.decimal)

    def has_position(self) -> bool:
        return {"longitude", "latitude"} <= self.matched.keys() or {
            "easting",
            "northing",
        } <= self.matched.keys()

    def _declared_units(self) -> dict[int, str]:
        """Units the user declared, by column index."""
        titles = [title.casefold() for title in self.sample.titles]
        found = {}
        for key, unit in self.hints.units.items():
            if titles.count(key.casefold()) > 1:
                places = [str(i + 1) for i, title in enumerate(titles) if title == key.casefold()]
                raise InputError(
                    f"there are {len(places)} columns '{key}'.",
                    where="--unit",
                    remedy=f"Give the number of the right one: {' or '.join(places)}.",
                )
            if key.casefold() in titles:
                found[titles.index(key.casefold())] = unit
            elif key.isdigit() and 0 < int(key) <= len(titles):
                found[int(key) - 1] = unit
            else:
                raise InputError(
                    f"there is no column '{key}'.",
                    where="--unit",
                    remedy=f"The file's columns: {', '.join(self.sample.titles)}.",
                )
        return found

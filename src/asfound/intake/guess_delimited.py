"""The mapping of a table: columns, units, signs, times, frame."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import numpy as np

from asfound.errors import FrameError, InputError
from asfound.geodesy import resolve_frame
from asfound.intake.columns_guess import Matched, match_columns, numbers_of
from asfound.intake.features import GEOMETRY_HEIGHT, Features
from asfound.intake.frame_guess import (
    canonical,
    epoch_in_text,
    frame_doubts,
    frame_in_text,
    known_frame,
)
from asfound.intake.frames import FrameFacts, frame_facts
from asfound.intake.header_words import Title, position_word, read_title, unit_in_title
from asfound.intake.hints import Hints
from asfound.intake.mapping import OPEN, Column, Doubt, Mapping, Part
from asfound.intake.position_guess import guess_angle, guess_signs
from asfound.intake.quantities import QUANTITIES
from asfound.intake.sample import Sample
from asfound.intake.time_guess import guess_time_form, guess_zone
from asfound.intake.unit_guess import guess_unit
from asfound.intake.units_at_the_edge import SCALES, unit_code
from asfound.intake.words import word_code
from asfound.model import Frame

_ELLIPSOIDAL = frozenset(["ellipsoidal", "ellipsoid", "hae", "ellh", "ell", "ellipsoidische"])
_ORTHOMETRIC = frozenset(
    [
        "orthometric",
        "elevation",
        "elev",
        "msl",
        "navd88",
        "navd",
        "nhn",
        "nn",
        "od",
        "odn",
        "ahd",
        "evrs",
        "egm96",
        "egm2008",
        "geoid",
        "cota",
        "orthometrisch",
        "sea",
    ]
)
_AXES = ("longitude", "latitude", "easting", "northing")
_MEANINGS = {"95": "95 percent", "2drms": "2drms", "cep": "cep", "drms": "drms"}


def guess_table(
    sample: Sample, hints: Hints
) -> tuple[Mapping, tuple[Doubt, ...], tuple[Doubt, ...]]:
    """Mapping, doubts and ambiguities of delimited text."""
    guess = _Guess(sample, hints, located=False)
    guess.run()
    return guess.mapping(), tuple(guess.doubts), tuple(guess.open)


def guess_features(
    sample: Sample, hints: Hints, features: Features, kind: str
) -> tuple[Mapping, tuple[Doubt, ...], tuple[Doubt, ...]]:
    """Mapping, doubts and ambiguities of a GIS file of a format."""
    guess = _Guess(sample, hints, located=True, crs=features.crs, format_=kind)
    guess.run()
    mapping = replace(guess.mapping(), format=kind, layer=features.layer)
    return mapping, tuple(guess.doubts), tuple(guess.open)


class _Guess:
    def __init__(
        self, sample: Sample, hints: Hints, *, located: bool, crs: str = "", format_: str = ""
    ) -> None:
        self.sample, self.hints, self.located = sample, hints, located
        self.file_crs, self.format = crs, format_
        self.doubts: list[Doubt] = []
        self.open: list[Doubt] = []
        self.cells = [sample.column(i) for i in range(len(sample.titles))]
        self.columns: dict[str, Column] = {}
        self.values: dict[str, dict[str, str]] = {}
        self.facts: FrameFacts | None = None
        self.zone = hints.zone
        self.position_of = hints.position_of
        self.lead = " ".join(sample.lead)
        self.units = self._declared_units()

    def run(self) -> None:
        titles = tuple("" if t == GEOMETRY_HEIGHT else t for t in self.sample.titles)
        by_kind = {
            kind: match_columns(titles, self.cells, kind, self.sample.decimal)
            for kind in ("shots", "sweeps")
        }
        self.kind = self.hints.kind or self._kind(by_kind["shots"], by_kind["sweeps"])
        self.matched = by_kind["sweeps" if self.kind == "sweeps" else "shots"]
        if not self.sample.header_line and not self.located:
            self._without_header()
        for note in self.sample.notes[: 0 if not self.sample.header_line else None]:
            self._doubt("header_line", note, "", "Set header_line in the mapping file.")
        lead_lines = [line for line in self.sample.lead if not line.startswith("#")]
        if lead_lines and self.sample.header_line > 1:
            self._doubt(
                "header_line",
                f"Lines 1 to {self.sample.header_line - 1} are taken as text before the header.",
                "They do not look like rows.",
                "Set header_line in the mapping file.",
            )
        if self.kind == "shots" and not self.located and not self._has_position():
            self._no_position()
        if self.kind == "sweeps":
            self._sweep_needs()
        self._one_pair_of_axes()
        self.frame = self._frame()
        self._drop_wrong_axes()
        for name, match in self.matched.items():
            self._column(name, match)
        self._geometry_height()
        self._add_second_parts()
        self._signs()
        self._times()
        self._heights()
        self._which_point()
        self._words()

    def mapping(self) -> Mapping:
        hints, sample = self.hints, self.sample
        return Mapping(
            kind=self.kind,
            encoding=sample.encoding,
            separator=sample.separator,
            decimal=sample.decimal,
            header_line=sample.header_line,
            columns=self.columns,
            values=self.values,
            time_zone=self.zone,
            frame=self.frame,
            position_accuracy=hints.position_accuracy,
            position_of=self.position_of or "antenna",
            receiver=hints.receiver,
            hookup=hints.hookup,
            crew=hints.crew,
            antenna_height=hints.antenna_height,
            utility=hints.utility,
            received=hints.received or date.today(),
        )

    # Saying so

    def _doubt(self, field: str, what: str, why: str, remedy: str) -> None:
        self.doubts.append(Doubt(field, what, why, remedy))

    def _ambiguity(self, field: str, what: str, why: str, remedy: str) -> None:
        self.open.append(Doubt(field, what, why, remedy))

    def _title(self, match: Matched) -> str:
        return match.title.text or f"number {match.index + 1}"

    def _key(self, index: int) -> str | int:
        title = self.sample.titles[index]
        return title if title and self.sample.titles.count(title) == 1 else index + 1

    # Columns

    def _declared_units(self) -> dict[int, str]:
        """Units the user declared, by column index."""
        titles = [title.casefold() for title in self.sample.titles]
        found = {}
        for key, unit in self.hints.units.items():
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

    def _kind(self, shots: dict[str, Matched], sweeps: dict[str, Matched]) -> str:
        if {"position", "reading"} <= sweeps.keys() and ({"coil", "sweep"} & sweeps.keys()):
            return "sweeps"
        placed = {"longitude", "latitude"} <= shots.keys() or {
            "easting",
            "northing",
        } <= shots.keys()
        timed = "time" in shots
        reads = {"depth", "current", "signal"} & shots.keys()
        if not placed and not self.located and timed and reads and self.sample.header_line:
            return "readings without position"
        return "shots"

    def _has_position(self) -> bool:
        return {"longitude", "latitude"} <= self.matched.keys() or {
            "easting",
            "northing",
        } <= self.matched.keys()

    def _no_position(self) -> None:
        wanted = ("longitude", "latitude")
        if {"easting", "northing"} & self.matched.keys():
            wanted = ("easting", "northing")
        for name in wanted:
            if name not in self.matched:
                self.columns[name] = Column(OPEN, unit="deg" if wanted[0] == "longitude" else "m")
        names = ", ".join(title for title in self.sample.titles if title) or "no titles"
        self._ambiguity(
            "position",
            "No pair of columns could be told to hold the position.",
            f"The file's columns: {names}.",
            f"Name the columns under [columns.{wanted[0]}] and [columns.{wanted[1]}] in the "
            "mapping file.",
        )

    def _sweep_needs(self) -> None:
        """What a sweep can't be read without."""
        for name in ("coil_height", "coil"):
            if name not in self.matched:
                self.columns[name] = Column(OPEN, unit="m" if name == "coil_height" else "")
                title = QUANTITIES[name].title
                self._ambiguity(
                    name,
                    f"No column holds the {title}.",
                    "A sweep can't be understood without it.",
                    f"Name the column under [columns.{name}] in the mapping file; add one to a "
                    "copy of the file if there is none.",
                )
        for end in ("start", "end"):
            placed = any(
                {f"{end}_{a}", f"{end}_{b}"} <= self.matched.keys()
                for a, b in (("longitude", "latitude"), ("easting", "northing"))
            )
            if not placed:
                for axis in ("longitude", "latitude"):
                    self.columns[f"{end}_{axis}"] = Column(OPEN, unit="deg")
                self._ambiguity(
                    "sweep",
                    f"No columns hold the coordinates of the tape's {end}.",
                    "Without them the sweep can't be placed.",
                    f"Name them under [columns.{end}_longitude] and [columns.{end}_latitude] in "
                    "the mapping file; one row of each sweep is enough.",
                )

    def _without_header(self) -> None:
        """A table without titles: longitude and latitude may be told by their values only."""
        self._ambiguity(
            "header_line",
            "The file has no header line, so the columns have no titles.",
            "Numbers alone don't say what they are, nor in which unit.",
            "Name the columns by number (column = 1 is the first) in the mapping file, or add a "
            "header line to a copy of the file.",
        )
        for index, cells in enumerate(self.cells):
            numbers = numbers_of(cells, "ratio", self.sample.decimal)
            if not cells or len(numbers) < len(cells) or not any(v % 1 for v in numbers):
                continue
            spread = np.ptp(numbers)
            fits = {
                "latitude": 10 < abs(numbers[0]) < 75 and spread < 0.5,
                "longitude": 10 < abs(numbers[0]) <= 180 and spread < 0.5,
            }
            for name, fit in fits.items():
                decimals = max(len(cell.partition(self.sample.decimal)[2]) for cell in cells)
                if fit and decimals >= 5 and name not in self.matched:
                    title = read_title("")
                    self.matched[name] = Matched(QUANTITIES[name], index, title, 1)
                    break

    def _one_pair_of_axes(self) -> None:
        """Plain x and y with values of degrees are longitude and latitude."""
        if "longitude" in self.matched or not {"easting", "northing"} <= self.matched.keys():
            return
        x, y = (self._numbers(name) for name in ("easting", "northing"))
        if not x or not y:
            return
        degrees = max(map(abs, x)) <= 180 and max(map(abs, y)) <= 90
        fine = any(v % 1 for v in x) and np.ptp(x) < 2 and np.ptp(y) < 2
        declared = self.hints.frame and _facts(self.hints.frame)
        if degrees and fine and not (declared and not declared.geographic):
            for old, new in (("easting", "longitude"), ("northing", "latitude")):
                match = self.matched.pop(old)
                self.matched[new] = Matched(QUANTITIES[new], match.index, match.title, match.points)
                self._doubt(
                    new,
                    f"Column '{self._title(match)}' is taken as {new}.",
                    "Its values are degrees.",
                    f"Map [columns.{old}] instead in the mapping file.",
                )

    def _numbers(self, name: str) -> list[float]:
        return numbers_of(self.cells[self.matched[name].index], "ratio", self.sample.decimal)

    # Frame

    def _frame(self) -> Frame:
        crs, epoch = self._crs(), self.hints.epoch
        if epoch is None:
            epoch = epoch_in_text(self.lead)
            if epoch is not None:
                self._doubt(
                    "frame",
                    f"The epoch is taken as {epoch:g}.",
                    "The lines before the header say so.",
                    "Set epoch under [frame] in the mapping file, or give --epoch.",
                )
        if crs == OPEN:
            if self.located or self._has_position() or self.kind != "shots":
                self._ambiguity(
                    "frame",
                    "The reference frame of the coordinates is not declared anywhere.",
                    "Frames of correction services lie up to two metres apart.",
                    "Give the frame of the correction service with --frame (crs under [frame]).",
                )
        else:
            self.facts = _facts(crs)
            self.doubts += frame_doubts(crs, self.hints.position_accuracy)
        return Frame(crs, epoch, "ellipsoidal", self.hints.geoid)

    def _crs(self) -> str:
        if self.file_crs and not self.hints.frame:
            return self.file_crs
        column = self.matched.get("frame")
        words = sorted(set(self.cells[column.index])) if column else []
        if self.hints.frame:
            if column:
                self._frame_column(column, words)
            own = self.file_crs or (words[0] if len(words) == 1 else "")
            if own and not _same_frame(own, self.hints.frame):
                self._doubt(
                    "frame",
                    f"The file says its frame is '{_short(own)}'; '{self.hints.frame}', which was "
                    "declared, is used.",
                    "Exports often write a default there.",
                    "Leave out --frame to take the file's own.",
                )
            return canonical(self.hints.frame)
        if column and words:
            self._frame_column(column, words)
            if len(words) == 1 and known_frame(words[0]):
                return canonical(words[0])
            return OPEN
        titles = [self.matched[name].title.text for name in _AXES if name in self.matched]
        for text, place in ((self.lead, "lines before the header"), (" ; ".join(titles), "titles")):
            found = frame_in_text(text)
            if found:
                self._doubt(
                    "frame",
                    f"The frame is taken as {found}.",
                    f"The {place} say so.",
                    "Give the frame of the correction service with --frame (crs under [frame]).",
                )
                return found
        return OPEN

    def _frame_column(self, column: Matched, words: list[str]) -> None:
        """A column that names the frame of each row: rows in another frame are reported."""
        title = self._title(column)
        if len(words) > 1:
            self._ambiguity(
                "frame",
                f"Column '{title}' names {len(words)} frames: {', '.join(words[:6])}.",
                "An upload has one frame; rows in another would be up to metres off.",
                "Put the rows of each frame into their own file; or set only under "
                "[columns.frame] to the words that mean the declared frame: the other rows are "
                "reported.",
            )
            self.columns["frame"] = Column(OPEN, only=tuple(words[:1]))
        elif words:
            self.columns["frame"] = Column(self._key(column.index), only=tuple(words))

    def _drop_wrong_axes(self) -> None:
        """Of longitude, latitude and easting, northing keeps the pair the frame speaks in."""
        if not all(name in self.matched for name in _AXES):
            return
        grid = self.facts is not None and not self.facts.geographic
        dropped = _AXES[:2] if grid else _AXES[2:]
        for name in dropped:
            del self.matched[name]
        self._doubt(
            "position",
            f"The file also holds {dropped[0]} and {dropped[1]}; they are not used.",
            "The frame is a grid." if grid else "The frame has degrees.",
            "Declare the frame of the other pair to use that.",
        )

    # One column

    def _column(self, name: str, match: Matched) -> None:
        if name == "frame":
            return
        quantity, key = match.quantity, self._key(match.index)
        declared = self.units.get(match.index, "")
        if quantity.dimension == "geographic":
            self.columns[name] = self._angle_column(name, match, key, declared)
        elif quantity.dimension == "time":
            self.columns[name] = Column(key)  # its form comes with `_times`
        elif quantity.dimension in SCALES and quantity.dimension not in ("ratio", "count"):
            self.columns[name] = self._measured(name, match, key, declared)
        else:
            self.columns[name] = Column(key)

    def _angle_column(self, name: str, match: Matched, key: str | int, declared: str) -> Column:
        cells = self.cells[match.index]
        unit, form, hemisphere, doubts = guess_angle(
            name, match.title, cells, declared, self.sample.decimal
        )
        self.doubts += doubts
        return Column(key, unit, form, hemisphere)

    def _measured(self, name: str, match: Matched, key: str | int, declared: str) -> Column:
        dimension = match.quantity.dimension
        form = self._meaning(name, match) if name.endswith("_sd") else ""
        cells = self.cells[match.index]
        unit = ""
        if declared:
            unit = unit_code(dimension, declared) or ""
            if not unit and declared in ("95 percent", "drms", "2drms", "cep", "1 sigma"):
                form = declared
            elif not unit:
                raise InputError(
                    f"'{declared}' is not a unit of {match.quantity.title}.",
                    where=f"--unit {self._title(match)}",
                    remedy=f"Use one of {', '.join(SCALES[dimension])}.",
                )
        unit = unit or unit_in_title(match.title, dimension)
        if dimension == "length" and not unit and _feet_and_inches(cells, self.sample.decimal):
            unit = "ft in"
        if name in ("easting", "northing", *_TAPE_AXES):
            return Column(key, self._grid_unit(name, match, unit, bool(declared)))
        if name == "height" and unit == "ft" and not declared:
            unit = self._foot_of_frame(match)
        if unit:
            values = numbers_of(cells, dimension, self.sample.decimal)
            self._against_unit(name, match, unit, values)
            return Column(key, unit, "feet-inches" if unit == "ft in" else form)
        values = numbers_of(cells, dimension, self.sample.decimal)
        found = guess_unit(name, self._title(match), values, self._usual_length())
        if found.doubt:
            (self.open if found.ambiguous else self.doubts).append(found.doubt)
        return Column(key, found.unit, form)

    def _meaning(self, name: str, match: Matched) -> str:
        words = " ".join((*match.title.words, *match.title.brackets)).lower()
        for sign, meaning in _MEANINGS.items():
            if sign in words.split() or sign in re.split(r"\W+", words):
                return meaning
        if name == "horizontal_sd" or "accuracy" in words or "precision" in words:
            usual = "drms" if name == "horizontal_sd" else "1 sigma"
            self._doubt(
                name,
                f"Column '{self._title(match)}' is taken as "
                + ("a radial error of one sigma (DRMS)." if usual == "drms" else "one sigma."),
                "It does not say which probability it stands for.",
                f"Set form under [columns.{name}]: 1 sigma, drms, 2drms, 95 percent or cep.",
            )
            return usual
        return ""

    def _against_unit(self, name: str, match: Matched, unit: str, values: list[float]) -> None:
        """A unit in the title that the values don't fit."""
        if name == "antenna_height" and unit == "m" and values and np.median(values) > 3.5:
            self._doubt(
                name,
                f"Column '{self._title(match)}' says metres, but its values (about "
                f"{np.median(values):g}) look like feet.",
                "Poles are 1.5 to 2.5 m long.",
                'If they are feet, give --unit "' + self._title(match) + '=ft".',
            )
        if name == "depth" and unit == "m" and values and np.median(values) > 6:
            self._doubt(
                name,
                f"Column '{self._title(match)}' says metres, but its values (about "
                f"{np.median(values):g}) are deep.",
                "Receivers seldom reach deeper than 6 m.",
                f'If they are in another unit, give --unit "{self._title(match)}=...".',
            )

    def _usual_length(self) -> str:
        """The unit that the titles of lengths agree on; empty if they don't."""
        found = set()
        for name, match in self.matched.items():
            if match.quantity.dimension == "length" and name != "base_distance":
                unit = self.units.get(match.index) or unit_in_title(match.title, "length")
                if unit:
                    found.add(unit)
        return found.pop() if len(found) == 1 and not found & {"ft in", "in", "cm", "mm"} else ""

    def _grid_unit(self, name: str, match: Matched, unit: str, declared: bool) -> str:
        """Unit of grid coordinates: the frame's own, unless the title says another."""
        own = self.facts.unit_metres if self.facts and not self.facts.geographic else None
        if not unit or unit == "ft in":
            return "grid"
        if own is None or declared or unit != "ft":
            return unit
        if abs(own - 0.3048) < 1e-4:
            return "grid"  # a foot, and the frame says which
        self._ambiguity(
            name,
            f"Column '{self._title(match)}' is in feet, but does not say which.",
            "International and US survey feet differ by 2 ppm: a metre and more in grid "
            "coordinates.",
            f'Give --unit "{self._title(match)}=ft" (international) or ftUS; unit under '
            f"[columns.{name}].",
        )
        return OPEN

    def _foot_of_frame(self, match: Matched) -> str:
        own = self.facts.unit_metres if self.facts and not self.facts.geographic else 1.0
        unit = "ftUS" if abs(own - 1200 / 3937) < 1e-9 else "ft"
        which = "US survey" if unit == "ftUS" else "international"
        self._doubt(
            "height",
            f"Column '{self._title(match)}' is taken in {which} feet.",
            "The two feet differ by 2 mm in 1000 m.",
            "Set unit under [columns.height] in the mapping file.",
        )
        return unit

    def _geometry_height(self) -> None:
        """The third coordinate of points, where no attribute is the height."""
        if GEOMETRY_HEIGHT not in self.sample.titles or "height" in self.columns:
            return
        own = self.facts.unit_metres if self.facts and not self.facts.geographic else 1.0
        unit = next((u for u in ("m", "ft", "ftUS") if abs(SCALES["length"][u] - own) < 1e-9), "m")
        self.columns["height"] = Column(GEOMETRY_HEIGHT, unit)
        if unit != "m":
            self._doubt(
                "height",
                f"Heights of the points are taken in {unit}.",
                "That is the unit of the frame.",
                "Set unit under [columns.height] in the mapping file.",
            )

    def _add_second_parts(self) -> None:
        """Inches beside feet, minutes and seconds beside degrees."""
        used = {match.index for match in self.matched.values()}
        for name in ("depth", "antenna_height", "peak_null_separation", "position"):
            column = self.columns.get(name)
            if column is None or column.unit not in ("ft", "ftUS"):
                continue
            words = set(self.matched[name].title.words) - {"ft", "feet", "foot"}
            for index, text in enumerate(self.sample.titles):
                title = read_title(text)
                if (
                    index not in used
                    and unit_in_title(title, "length") == "in"
                    and words & set(title.words)
                ):
                    part = Part(self._key(index), "in")
                    self.columns[name] = Column(column.column, column.unit, plus=(part,))
                    break
        for name in ("longitude", "latitude"):
            if name in self.matched:
                self._arc_parts(name, used)

    def _arc_parts(self, name: str, used: set[int]) -> None:
        column, match = self.columns[name], self.matched[name]
        words = set(match.title.words) - {"deg", "degrees", "d"}
        parts = []
        for unit in ("min", "sec"):
            for index, text in enumerate(self.sample.titles):
                title = read_title(text)
                said = unit_in_title(title, "geographic")
                if index not in used and said == unit and words & set(title.words):
                    parts.append(Part(self._key(index), unit))
                    break
        if parts:
            self.columns[name] = Column(column.column, "deg", plus=tuple(parts))

    # Signs, times, heights, words

    def _signs(self) -> None:
        if self.located or not {"longitude", "latitude"} <= self.matched.keys():
            return
        found = guess_signs(
            {name: self.columns[name] for name in ("longitude", "latitude")},
            {name: self.cells[self.matched[name].index] for name in ("longitude", "latitude")
             if name in self.matched},
            {f"{name}_hemisphere" in self.matched for name in ("longitude", "latitude")} == {True},
            self.frame.crs,
            self.sample.decimal,
        )  # fmt: skip
        self.columns.update(found.columns)
        self.doubts += found.doubts
        self.open += found.ambiguities

    def _times(self) -> None:
        titles = {n: self.matched[n].title for n in ("time", "date") if n in self.matched}
        for name in titles:
            index = self.matched[name].index
            both = name == "time" and "date" in titles
            form, doubt, ambiguous = guess_time_form(
                name,
                titles[name].text,
                [] if both else self.cells[index],
                self.units.get(index, ""),
            )
            self.columns[name] = Column(self.columns[name].column, form=form)
            if doubt:
                (self.open if ambiguous else self.doubts).append(doubt)
        if not titles or self.hints.zone:
            return
        needs_time = self.facts is not None and self.facts.needs_time and self.frame.epoch is None
        strict = needs_time or self.kind == "readings without position"
        cells = self.cells[self.matched["time"].index] if "time" in titles else []
        forms = {self.columns[name].form for name in titles}
        self.zone, doubt, ambiguous = guess_zone(
            list(titles.values()), cells, forms, strict, self.lead
        )
        if doubt:
            (self.open if ambiguous else self.doubts).append(doubt)

    def _heights(self) -> None:
        kind, geoid = self.hints.heights, self.hints.geoid
        if not kind:
            kind = self._height_kind(geoid)
        self.frame = Frame(self.frame.crs, self.frame.epoch, kind, geoid)

    def _height_kind(self, geoid: str) -> str:
        if self.columns.get("height", Column("")).column == GEOMETRY_HEIGHT:
            return self._geometry_height_kind(geoid)
        if "height" not in self.matched:
            return "ellipsoidal" if self.located or self.kind != "shots" else "none"
        title = self.matched["height"].title
        words = title.all_words
        if words & _ELLIPSOIDAL or title.words == ("h",):
            return "ellipsoidal"
        if geoid:
            return "orthometric"
        if words & _ORTHOMETRIC:
            what = f"Column '{title.text}' looks like heights above a geoid, which is not named."
        else:
            what = f"Column '{title.text}' does not say what heights are measured from."
        self._ambiguity(
            "heights",
            what,
            "Heights above the ellipsoid and above a geoid lie up to a hundred metres apart.",
            "Give --heights ellipsoidal, or --heights orthometric with --geoid FILE, or --heights "
            "none (heights under [frame]).",
        )
        return OPEN

    def _geometry_height_kind(self, geoid: str) -> str:
        if geoid:
            return "orthometric"
        if self.format == "geojson":
            return "ellipsoidal"  # RFC 7946, section 4: metres above the WGS 84 ellipsoid
        remedy = "Give --heights, and --geoid for orthometric ones (heights under [frame])."
        if self.format == "kml":
            self._doubt(
                "heights",
                "Heights of the placemarks are not used.",
                "KML heights are above the EGM96 geoid, good to a metre, or those of a map.",
                remedy,
            )
            return "none"
        self._ambiguity(
            "heights",
            "The points have heights, but the file does not say what they are measured from.",
            "Heights above the ellipsoid and above a geoid lie up to a hundred metres apart.",
            remedy,
        )
        return OPEN

    def _which_point(self) -> None:
        if self.position_of:
            return
        titles: list[Title] = [
            self.matched[n].title for n in (*_AXES, "height") if n in self.matched
        ]
        said = {position_word(title) for title in titles} - {""}
        if len(said) == 1:
            self.position_of = said.pop()
            return
        if self.kind == "sweeps":
            self.position_of = "ground"
            return
        pole = "antenna_height" in self.matched or np.isfinite(self.hints.antenna_height)
        self._doubt(
            "position_of",
            "Positions are taken as those of the antenna; the antenna height is taken off."
            if pole
            else "Positions are taken as those of the antenna, but no antenna height is given.",
            "The file does not say whether they were already brought to the ground.",
            "If they were, give --position-of ground (position_of in the mapping file)."
            + ("" if pole else " Else give --antenna-height."),
        )

    def _words(self) -> None:
        for name in ("utility", "method", "fix", "coil"):
            if name not in self.matched:
                continue
            cells = self.cells[self.matched[name].index]
            unknown = sorted({cell for cell in cells if word_code(name, cell, {}) is None})
            if unknown:
                shown = ", ".join(f"'{word}'" for word in unknown[:8])
                self._doubt(
                    name,
                    f"Column '{self._title(self.matched[name])}' holds words asfound does not "
                    f"know: {shown}{' ...' if len(unknown) > 8 else ''}.",
                    "Their rows are kept without it.",
                    f"Say what they mean under [values.{name}] in the mapping file.",
                )
            if name == "fix" and cells and all(cell.isdigit() for cell in cells):
                self._doubt(
                    name,
                    f"Numbers in column '{self._title(self.matched[name])}' are taken as NMEA "
                    "quality digits: 4 is RTK fixed, 5 float.",
                    "",
                    "Say what they mean under [values.fix] in the mapping file.",
                )


_TAPE_AXES = ("start_easting", "start_northing", "end_easting", "end_northing")


def _facts(crs: str) -> FrameFacts | None:
    try:
        return frame_facts(Frame(canonical(crs)), where="--frame")
    except FrameError:
        return None


def _same_frame(one: str, other: str) -> bool:
    if canonical(one).casefold() == canonical(other).casefold():
        return True
    try:
        a, b = (resolve_frame(canonical(text)) for text in (one, other))
    except FrameError:
        return False
    return bool(a.to_2d() == b.to_2d() or a.name == b.name)


def _short(text: str) -> str:
    return text if len(text) <= 60 else f"{text[:57]}..."


def _feet_and_inches(cells: list[str], decimal: str) -> bool:
    from asfound.intake.numbers import odd_number

    odd = [cell for cell in cells if odd_number(cell, "length", 1.0, decimal) is not None]
    marked = [cell for cell in odd if re.search(r"['\u2032\u2019\"\u2033]|ft|in", cell)]
    return bool(odd) and len(marked) > 0.5 * len(odd)

"""Angles of positions: their form, and whether their signs can be trusted."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

import numpy as np
import pyarrow as pa

from asfound.errors import FrameError, InputError
from asfound.geodesy import resolve_frame
from asfound.intake.angles import read_angles
from asfound.intake.columns_guess import numbers_of
from asfound.intake.header_words import Title, unit_in_title
from asfound.intake.mapping import OPEN, Column, Doubt
from asfound.intake.units_at_the_edge import unit_code

_LETTERS = {"longitude": "EW", "latitude": "NS"}
# Longitudes between which, west and east, land of the northern hemisphere is worked on in
# English and in feet: only there a lost sign is likely. Common practice, no source.
_WEST_OR_EAST = (52.0, 170.0)


def guess_angle(
    name: str, title: Title, cells: list[str], declared: str, decimal: str
) -> tuple[str, str, str, list[Doubt]]:
    """Unit, form and hemisphere of a column of angles, and doubts.

    Raises
    ------
    InputError
        If a declared unit can't be used.
    """
    hemisphere, doubts = "", list[Doubt]()
    text = declared or unit_in_title(title, "geographic")
    match = re.fullmatch(r"(.*?)\s*([NSEW])", declared)
    if match and match[2] in _LETTERS[name.split("_")[-1]]:
        text, hemisphere = match[1] or "deg", match[2]
    if declared and text not in ("dms", "packed-dms", "packed-dm", "decimal"):
        code = unit_code("geographic", text)
        if code is None:
            raise InputError(
                f"'{declared}' is not a unit of {name}.",
                where=f"--unit {title.text}",
                remedy='Use deg, rad, gon, dms, packed-dms or packed-dm, or "deg W" for values '
                "west without sign.",
            )
        text = code
    if text in ("packed-dms", "packed-dm"):
        return "deg", text, hemisphere, doubts
    if text in ("rad", "gon"):
        return text, "decimal", hemisphere, doubts
    marked = [c for c in cells if re.search(r"\d\D+\d+\D+\d|\d\s*[°º:\s'\u2032]\s*\d", c[1:])]
    if marked and len(marked) > 0.5 * len(cells):
        return "deg", "dms", hemisphere, doubts
    packed = _packed(name, numbers_of(cells, decimal))
    if packed:
        doubts.append(
            Doubt(
                name,
                f"Column '{title.text}' is taken as "
                + (
                    "degrees, minutes and seconds"
                    if packed == "packed-dms"
                    else "degrees and minutes"
                )
                + " written without separators.",
                "Its values are too large for degrees.",
                f"Set form under [columns.{name}] in the mapping file.",
            )
        )
        return "deg", packed, hemisphere, doubts
    return "deg", "decimal", hemisphere, doubts


def _packed(name: str, values: list[float]) -> str:
    """``'packed-dm'`` or ``'packed-dms'`` for values such as 3916.2345 or 391614.07."""
    limit = 180.0 if name.endswith("longitude") else 90.0
    size = np.abs(values)
    if not len(size) or np.median(size) <= 360 or np.ptp(size) > 1000:
        return ""
    minutes = size % 100
    if size.max() < limit * 100 + 60 and (minutes < 60).all():
        return "packed-dm"
    if (
        size.max() < limit * 10000 + 6000
        and (minutes < 60).all()
        and (size // 100 % 100 < 60).all()
    ):
        return "packed-dms"
    return ""


@dataclass
class Signs:
    """Columns with their hemisphere settled or open, and what is to be said."""

    columns: dict[str, Column] = field(default_factory=dict)
    doubts: list[Doubt] = field(default_factory=list)
    ambiguities: list[Doubt] = field(default_factory=list)


def guess_signs(
    columns: dict[str, Column],
    cells: dict[str, list[str]],
    lettered: bool,
    crs: str,
    decimal: str,
    job_crs: str = "",
) -> Signs:
    """Whether longitude and latitude are swapped, and whether a west longitude lost its sign.

    Parameters
    ----------
    columns, cells : dict
        By ``'longitude'`` and ``'latitude'``.
    lettered : bool
        Hemisphere letters stand in columns of their own.
    crs : str
        Declared frame, or open.
    job_crs : str
        The job's, whose area of use may settle it; empty if not known.
    """
    found = Signs()
    if len(cells) < 2 or any(columns[n].column == OPEN or columns[n].plus for n in columns):
        return found
    read = {
        name: read_angles(
            pa.array(cells[name], pa.string()), name, columns[name].unit, columns[name].form,
            columns[name].hemisphere, None, decimal,
        ).number
        for name in columns
    }  # fmt: skip
    x, y = (read[name][np.isfinite(read[name])] for name in ("longitude", "latitude"))
    if not len(x) or not len(y):
        return found
    west, south = float(np.median(x)), float(np.median(y))
    if abs(south) > 90 >= abs(west) or (south < -60 and abs(west) < 75):
        found.columns = {name: replace(columns[name], column=OPEN) for name in columns}
        found.ambiguities.append(
            Doubt(
                "position",
                f"Longitude and latitude look swapped: latitudes are about {south:.4f}, "
                f"longitudes about {west:.4f}.",
                "No latitude is beyond 90 degrees, and nobody locates in Antarctica.",
                "Name the right columns under [columns.longitude] and [columns.latitude].",
            )
        )
        return found
    signed = (
        lettered
        or columns["longitude"].hemisphere
        or (x < 0).any()
        or any(re.search(r"[EWew+]", cell) for cell in cells["longitude"])
    )
    if signed:
        return found
    says = _area_says(crs, west, south) or _area_says(job_crs or OPEN, west, south)
    if says == "east" or (says == "" and not _WEST_OR_EAST[0] <= west <= _WEST_OR_EAST[1]):
        return found
    found.columns["longitude"] = replace(columns["longitude"], hemisphere=OPEN)
    found.ambiguities.append(
        Doubt(
            "longitude",
            f"Longitudes are about {west:.4f}, without sign or letter: east or west?",
            "The frame of the file or of the job is used in the west."
            if says == "west"
            else "Receivers in the Americas often leave the sign out.",
            f'Give --unit "{columns["longitude"].column}=deg W" or '
            f'"{columns["longitude"].column}=deg E" (hemisphere under [columns.longitude]).',
        )
    )
    return found


def _area_says(crs: str, longitude: float, latitude: float) -> str:
    """``'east'`` or ``'west'`` where only one of them lies in the frame's area of use."""
    if crs == OPEN:
        return ""
    try:
        area = resolve_frame(crs).area_of_use
    except FrameError:
        return ""
    if area is None or area.east - area.west >= 359:
        return ""

    def inside(value: float) -> bool:
        if not area.south - 1 <= latitude <= area.north + 1:
            return False
        if area.west <= area.east:
            return bool(area.west - 1 <= value <= area.east + 1)
        return bool(value >= area.west - 1 or value <= area.east + 1)

    east, west = inside(longitude), inside(-longitude)
    return "east" if east and not west else "west" if west and not east else ""

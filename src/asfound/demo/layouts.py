"""Three raw layouts, invented here: the same kinds of numbers as three crews would export them.

- degrees: comma, decimal degrees, metres, UTC;
- sexagesimal: semicolon, decimal comma, degrees-minutes-seconds with hemisphere letters, depth in
  feet and inches, kHz, local time; kept by hand in a spreadsheet;
- grid: tab, State Plane coordinates in US survey feet, depth in metres, colours of the APWA
  Uniform Color Code for utilities.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable

import numpy as np

from asfound.demo.pages import ARC_GRAIN, Page
from asfound.demo.survey import CONTROL, UTC_OFFSET
from asfound.demo.walk import Walk
from asfound.model import APWA_COLOURS, Fix, Utility

Cells = dict[str, str]

DEGREES_HEADER = (
    "Point", "Time (UTC)", "Latitude", "Longitude", "Ellipsoidal height (m)", "Fix", "Satellites",
    "PDOP", "Correction age (s)", "Base distance (km)", "SD east (m)", "SD north (m)",
    "SD up (m)", "Antenna height (m)", "Tilt (deg)", "Tilt bearing (deg)", "Speed (m/s)",
    "Utility", "Hook-up", "Method", "Frequency (Hz)", "Depth (m)", "Current (mA)",
    "Peak-null separation (m)", "Control point", "Note",
)  # fmt: skip
SEXAGESIMAL_HEADER = (
    "Nr", "Local time", "Latitude", "Longitude", "Ellipsoidal height (m)", "GNSS quality",
    "Sats", "PDOP", "Age of correction (s)", "Distance to base (km)", "Utility", "Hook-up",
    "Method", "Frequency (kHz)", "Depth (ft in)", "Current (mA)", "Control", "Remark",
)  # fmt: skip
GRID_HEADER = (
    "Pt", "Northing (ftUS)", "Easting (ftUS)", "Ellipsoidal height (ftUS)", "UTC", "Fix", "SV",
    "PDOP", "Corr. age (s)", "Base dist. (km)", "Sigma N (ftUS)", "Sigma E (ftUS)",
    "Sigma U (ftUS)", "Pole height (ftUS)", "Tilt (deg)", "Tilt azimuth (deg)", "Speed (m/s)",
    "Colour", "Hook-up", "Method", "Freq. (Hz)", "Depth (m)", "Current (mA)", "Peak to null (m)",
    "Control", "Comment",
)  # fmt: skip

_WORDS = {
    Utility.UNKNOWN: "",
    Utility.ELECTRIC: "electric",
    Utility.GAS: "gas",
    Utility.COMMUNICATION: "telecom",
    Utility.WATER: "water",
    Utility.RECLAIMED: "reclaimed water",
    Utility.SEWER: "sewer",
}


def write_page(page: Page, walk: Walk) -> bytes:
    """The raw file of a page."""
    layout = page.upload.layout
    header, delimiter, write = _WRITERS[layout]
    rows: dict[int, list[str]] = {}
    for place, row in enumerate(page.row.tolist()):
        cells = write(page, place, walk)
        cells[header[-1]] = str(page.numbers["note"][place])
        rows[row] = [cells[name] for name in header]
    for row, kind in page.spoiled.items():
        rows[row] = _spoil(kind, header, rows, row)
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows(rows[row] for row in sorted(rows))
    return text.getvalue().encode()


def _spoil(kind: str, header: tuple[str, ...], rows: dict[int, list[str]], row: int) -> list[str]:
    """A row that can't be a shot: no position yet, a pasted header, a line of remarks."""
    if kind == "header":
        return list(header)
    if kind == "remark":
        return ["" for _ in header[:-1]] + ["crew break"]
    before = next(rows[k] for k in range(row - 1, 0, -1) if k in rows)
    lost = {"Latitude", "Longitude", "Northing (ftUS)", "Easting (ftUS)"}
    lost |= {"Ellipsoidal height (m)", "Ellipsoidal height (ftUS)"}
    return ["" if name in lost else cell for name, cell in zip(header, before, strict=True)]


def _fixed(value: object, decimals: int) -> str:
    number = float(value)  # type: ignore[arg-type]
    return "" if np.isnan(number) else f"{number:.{decimals}f}"


def _shared(page: Page, place: int, walk: Walk) -> tuple[str, str, str, float]:
    """Hook-up, method, control point and frequency of a row."""
    visit, control = int(page.numbers["visit"][place]), int(page.numbers["control"][place])
    name = CONTROL[control][0] if control >= 0 else ""
    if visit < 0:
        return "", "", name, float("nan")
    kind = walk.visits[visit]
    return kind.hookup, kind.method.word, name, kind.frequency


def _degrees(page: Page, place: int, walk: Walk) -> Cells:
    at = {key: column[place] for key, column in page.numbers.items()}
    hookup, method, control, frequency = _shared(page, place, walk)
    return {
        "Point": str(page.shots[place] + 1),
        "Time (UTC)": f"{np.datetime_as_string(at['time'], unit='ms')[:-2]}Z",
        "Latitude": _fixed(at["latitude"], 9),
        "Longitude": _fixed(at["longitude"], 9),
        "Ellipsoidal height (m)": _fixed(at["height"], 4),
        "Fix": Fix(int(at["fix"])).word.replace("rtk", "RTK"),
        "Satellites": str(at["satellites"]),
        "PDOP": _fixed(at["pdop"], 1),
        "Correction age (s)": _fixed(at["correction_age"], 1),
        "Base distance (km)": _fixed(at["base_km"], 2),
        "SD east (m)": _fixed(at["east_sd"], 4),
        "SD north (m)": _fixed(at["north_sd"], 4),
        "SD up (m)": _fixed(at["up_sd"], 4),
        "Antenna height (m)": _fixed(at["antenna_height"], 3),
        "Tilt (deg)": _fixed(at["tilt"], 2),
        "Tilt bearing (deg)": _fixed(at["tilt_bearing"], 1),
        "Speed (m/s)": _fixed(at["speed"], 3),
        "Utility": _WORDS[Utility(int(at["utility"]))].capitalize(),
        "Hook-up": hookup,
        "Method": method,
        "Frequency (Hz)": _fixed(frequency, 0),
        "Depth (m)": _fixed(at["depth"], 3),
        "Current (mA)": _fixed(at["current_mA"], 1),
        "Peak-null separation (m)": _fixed(at["separation"], 3),
        "Control point": control,
    }


def _grid(page: Page, place: int, walk: Walk) -> Cells:
    at = {key: column[place] for key, column in page.numbers.items()}
    hookup, method, control, frequency = _shared(page, place, walk)
    utility = Utility(int(at["utility"]))
    return {
        "Pt": str(page.shots[place] + 1),
        "Northing (ftUS)": _fixed(at["northing"], 3),
        "Easting (ftUS)": _fixed(at["easting"], 3),
        "Ellipsoidal height (ftUS)": _fixed(at["height"], 3),
        "UTC": f"{np.datetime_as_string(at['time'], unit='s')}Z",
        "Fix": Fix(int(at["fix"])).word.replace("rtk", "RTK"),
        "SV": str(at["satellites"]),
        "PDOP": _fixed(at["pdop"], 1),
        "Corr. age (s)": _fixed(at["correction_age"], 1),
        "Base dist. (km)": _fixed(at["base_km"], 2),
        "Sigma N (ftUS)": _fixed(at["north_sd"], 4),
        "Sigma E (ftUS)": _fixed(at["east_sd"], 4),
        "Sigma U (ftUS)": _fixed(at["up_sd"], 4),
        "Pole height (ftUS)": _fixed(at["antenna_height"], 4),
        "Tilt (deg)": _fixed(at["tilt"], 2),
        "Tilt azimuth (deg)": _fixed(at["tilt_bearing"], 1),
        "Speed (m/s)": _fixed(at["speed"], 3),
        "Colour": "" if utility is Utility.UNKNOWN else APWA_COLOURS[utility].hue,
        "Hook-up": hookup,
        "Method": method,
        "Freq. (Hz)": _fixed(frequency, 0),
        "Depth (m)": _fixed(at["depth"], 2),
        "Current (mA)": _fixed(at["current_mA"], 1),
        "Peak to null (m)": _fixed(at["separation"], 2),
        "Control": control,
    }


def _sexagesimal(page: Page, place: int, walk: Walk) -> Cells:
    at = {key: column[place] for key, column in page.numbers.items()}
    hookup, method, control, frequency = _shared(page, place, walk)
    local = (at["time"] - UTC_OFFSET).astype("datetime64[s]").item()

    def comma(value: object, decimals: int) -> str:
        return _fixed(value, decimals).replace(".", ",")

    return {
        "Nr": str(page.shots[place] + 1),
        "Local time": f"{local:%d.%m.%Y %H:%M:%S}",
        "Latitude": _arc(int(at["latitude_grains"]), "N"),
        "Longitude": _arc(int(at["longitude_grains"]), "W"),
        "Ellipsoidal height (m)": comma(at["height"], 3),
        "GNSS quality": str(at["fix"]),
        "Sats": str(at["satellites"]),
        "PDOP": comma(at["pdop"], 1),
        "Age of correction (s)": comma(at["correction_age"], 1),
        "Distance to base (km)": comma(at["base_km"], 2),
        "Utility": _WORDS[Utility(int(at["utility"]))],
        "Hook-up": hookup,
        "Method": method,
        "Frequency (kHz)": comma(frequency / 1000, 1),
        "Depth (ft in)": _feet_inches(float(at["depth_quarter_inches"])),
        "Current (mA)": comma(at["current_mA"], 1),
        "Control": control,
    }


def _arc(grains: int, hemisphere: str) -> str:
    """Degrees, minutes and seconds with a decimal comma: 39°16'23,45678"N."""
    minutes, seconds = divmod(grains, 60 * ARC_GRAIN)
    degrees, minutes = divmod(minutes, 60)
    return f"{degrees}°{minutes:02d}'{seconds / ARC_GRAIN:08.5f}\"{hemisphere}".replace(".", ",")


def _feet_inches(quarters: float) -> str:
    """Feet, inches and quarters: 3' 6 1/2"."""
    if np.isnan(quarters):
        return ""
    feet, rest = divmod(int(quarters), 48)
    inches, part = divmod(rest, 4)
    fraction = ("", " 1/4", " 1/2", " 3/4")[part]
    return f"{feet}' {inches}{fraction}\""


_WRITERS: dict[str, tuple[tuple[str, ...], str, Callable[[Page, int, Walk], Cells]]] = {
    "degrees": (DEGREES_HEADER, ",", _degrees),
    "sexagesimal": (SEXAGESIMAL_HEADER, ";", _sexagesimal),
    "grid": (GRID_HEADER, "\t", _grid),
}

"""Reference frames by the names that correction services and surveyors use.

>>> resolve_frame("NAD 83 (2011)").to_epsg()
6319
>>> is_dynamic(resolve_frame("itrf-2020"))
True
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from pyproj import CRS
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import UTMConversion
from pyproj.exceptions import CRSError

from asfound.errors import FrameError


@dataclass(frozen=True)
class FramePreset:
    """A frame that a correction service or a survey can be in.

    Parameters
    ----------
    name : str
        As asfound writes it.
    code : int
        EPSG code of its 3D geographic CRS.
    about : str
        Where it is used and what its coordinates do over the years.
    usual_epoch : str
        In words, for people: which epoch its coordinates normally have.
    spellings : tuple of str
        Other names; case, blanks, dashes, underscores, slashes and brackets don't matter.
    current : bool
        False for frames that a newer one has replaced: known, but not offered by themselves.
    """

    name: str
    code: int
    about: str
    usual_epoch: str
    spellings: tuple[str, ...] = ()
    current: bool = True


_TODAY = "the day of observation"
_GLOBAL = "Global and dynamic: plates move through it by centimetres a year."
_IGS = "Global and dynamic: the GNSS part of {}, in which satellite orbits are given."
_AMERICA = "North America, moves with the plate."
_EUROPE = "Europe, moves with stable Eurasia; a realisation of ETRS89."

PRESETS: tuple[FramePreset, ...] = (
    FramePreset("ITRF2020", 9989, _GLOBAL, _TODAY, ("ITRF20",)),
    FramePreset("ITRF2014", 7912, _GLOBAL, _TODAY, ("ITRF14",)),
    FramePreset("ITRF2008", 7911, _GLOBAL, _TODAY, ("ITRF08",)),
    FramePreset("ITRF2005", 7910, _GLOBAL, _TODAY, ("ITRF05",)),
    FramePreset("ITRF2000", 7909, _GLOBAL, _TODAY, ("ITRF00",)),
    FramePreset("ITRF97", 7908, _GLOBAL, _TODAY),
    FramePreset("ITRF96", 7907, _GLOBAL, _TODAY),
    FramePreset("IGS20", 10177, _IGS.format("ITRF2020"), _TODAY, ("IGS2020",)),
    FramePreset("IGb14", 9379, _IGS.format("ITRF2014"), _TODAY),
    FramePreset("IGS14", 9018, _IGS.format("ITRF2014"), _TODAY, ("IGS2014",)),
    FramePreset("IGS08", 9013, _IGS.format("ITRF2008"), _TODAY, ("IGS2008",)),
    FramePreset(
        "WGS 84 (G2296)", 10605, "Global and dynamic: GPS broadcast orbits since 2024.", _TODAY
    ),
    FramePreset(
        "WGS 84 (G2139)", 9754, "Global and dynamic: GPS broadcast orbits 2021 to 2024.", _TODAY
    ),
    FramePreset(
        "WGS 84 (G1762)", 7665, "Global and dynamic: GPS broadcast orbits 2013 to 2021.", _TODAY
    ),
    FramePreset(
        "NAD83(2011)",
        6319,
        "Conterminous United States, Alaska, Puerto Rico; moves with the North American plate.",
        "2010.0 by definition",
        ("NAD83 NSRS2011",),
    ),
    FramePreset("NAD83(PA11)", 6321, "Hawaii and the Pacific plate.", "2010.0 by definition"),
    FramePreset("NAD83(MA11)", 6324, "Guam and the Mariana plate.", "2010.0 by definition"),
    FramePreset("NAD83(NSRS2007)", 4893, _AMERICA, "2002.0 or 2007.0 by definition", current=False),
    FramePreset("NAD83(CSRS)v8", 10413, "Canada. " + _AMERICA, "2010.0 by definition"),
    FramePreset("NAD83(CSRS)v7", 8254, "Canada. " + _AMERICA, "2010.0 by definition"),
    FramePreset(
        "NAD83(CSRS)v6", 8251, "Canada. " + _AMERICA, "2010.0 by definition", current=False
    ),
    FramePreset(
        "NAD83(CSRS)v5", 8248, "Canada. " + _AMERICA, "2006.0 by definition", current=False
    ),
    FramePreset(
        "NAD83(CSRS)v4", 8244, "Canada. " + _AMERICA, "2002.0 by definition", current=False
    ),
    FramePreset(
        "NAD83(CSRS)v3", 8239, "Canada. " + _AMERICA, "1997.0 by definition", current=False
    ),
    FramePreset(
        "NAD83(CSRS)v2", 8235, "Canada. " + _AMERICA, "1997.0 by definition", current=False
    ),
    FramePreset("ETRF2020", 10570, _EUROPE, "not needed for this work", ("ETRS89 ETRF2020",)),
    FramePreset("ETRF2014", 8403, _EUROPE, "not needed for this work", ("ETRS89 ETRF2014",)),
    FramePreset(
        "ETRF2005", 8399, _EUROPE, "not needed for this work", ("ETRS89 ETRF2005",), current=False
    ),
    FramePreset("ETRF2000", 7931, _EUROPE, "not needed for this work", ("ETRS89 ETRF2000",)),
    FramePreset(
        "ETRS89",
        4937,
        "Europe, whichever realisation the country uses: they differ by up to a decimetre.",
        "not needed for this work",
    ),
    FramePreset("ETRS89/DREF91/2016", 10283, "Germany. " + _EUROPE, "not needed for this work"),
    FramePreset("RGF93 v2b", 9781, "France. " + _EUROPE, "2019.0 by definition"),
    FramePreset("SWEREF99", 4977, "Sweden. " + _EUROPE, "1999.5 by definition", ("SWEREF 99",)),
    FramePreset(
        "GDA2020", 7843, "Australia, moves with the plate.", "2020.0 by definition", ("GDA 2020",)
    ),
    FramePreset(
        "GDA94", 4939, "Australia, moves with the plate.", "1994.0 by definition", ("GDA1994",)
    ),
    FramePreset("ATRF2014", 9308, "Australia, dynamic: the plate moves through it.", _TODAY),
    FramePreset(
        "NZGD2000",
        4959,
        "New Zealand, moves and deforms with the country.",
        "2000.0 by definition",
        ("NZGD 2000",),
    ),
    FramePreset(
        "SIRGAS 2000",
        4989,
        "Brazil and other American states, moves with the South American plate.",
        "2000.4 by definition",
    ),
    FramePreset("POSGAR 2007", 5342, "Argentina.", "2006.632 by definition", ("POSGAR07",)),
    FramePreset("MAGNA-SIRGAS 2018", 20045, "Colombia.", "2018.0 by definition"),
    FramePreset("Mexico ITRF2008", 6364, "Mexico.", "2010.0 by definition"),
    FramePreset("JGD2011", 6667, "Japan, moves with the islands.", "1997.0 or 2011.4 by region"),
    FramePreset("KGD2002", 4927, "Korea.", "2002.0 by definition"),
    FramePreset(
        "China 2000",
        4480,
        "China.",
        "2000.0 by definition",
        ("CGCS2000", "China Geodetic Coordinate System 2000"),
    ),
    FramePreset("TWD97", 3823, "Taiwan.", "1997.0 by definition"),
    FramePreset("Hartebeesthoek94", 4941, "South Africa.", "1994.0 by definition", ("Hart94",)),
    FramePreset("KSA-GRF17", 9332, "Saudi Arabia.", "2017.0 by definition"),
)


def _plain(text: str) -> str:
    return re.sub(r"[\s\-_/()\[\].,]+", "", text).casefold()


_BY_NAME: dict[str, FramePreset] = {
    _plain(spelling): preset for preset in PRESETS for spelling in (preset.name, *preset.spellings)
}
_UTM = re.compile(r"^(?:UTM\s*)?(?:zone\s*)?(\d{1,2})\s*([NS])$", re.IGNORECASE)


def preset_of(text: str) -> FramePreset | None:
    """The preset of a frame name in any spelling; None if there is none."""
    return _BY_NAME.get(_plain(text))


def resolve_frame(text: str, *, where: str = "") -> CRS:
    """CRS of a frame name, an EPSG code, WKT or a PROJ string.

    Parameters
    ----------
    text : str
        One of `PRESETS` in any spelling (``'itrf 2020'``); ``'EPSG:6428'`` or ``'6428'``;
        ``'EPSG:6428+5703'``; WKT; a PROJ string; a registry name such as
        ``'NAD83(2011) / Colorado Central (ftUS)'``; or FRAME / PROJECTION with one of the presets
        and a UTM zone, an EPSG code of a projected CRS or a PROJ string, such as
        ``'ETRF2000 / UTM zone 32N'``, ``'ETRF2000 / EPSG:25832'`` or
        ``'NAD83(2011) / +proj=tmerc +lat_0=39 +lon_0=-104.8 +k=1.00025 +x_0=50000'``.
    where : str
        Where the text stands, for the error.

    Returns
    -------
    pyproj.CRS
        Presets give 3D geographic CRSs.

    Raises
    ------
    FrameError
        If it is none of these.
    """
    return _resolve(text.strip(), where)


@lru_cache(maxsize=256)
def _resolve(text: str, where: str) -> CRS:
    preset = preset_of(text)
    if preset is not None:
        return CRS.from_epsg(preset.code)
    if not text:
        raise FrameError(
            "no reference frame is given.",
            where=where,
            remedy="Say which frame the correction service delivers, such as ITRF2020, "
            "NAD83(2011) or ETRF2000; its documents or its operator say so.",
        )
    code = re.fullmatch(r"(?:EPSG\s*[:\s]\s*)?(\d{4,6})", text, re.IGNORECASE)
    try:
        if code:
            return CRS.from_epsg(int(code[1]))
        if "/" in text:
            combined = _frame_and_projection(*(part.strip() for part in text.split("/", 1)))
            if combined is not None:
                return combined
        return CRS.from_user_input(text)
    except CRSError as error:
        raise FrameError(
            f"'{text}' is not a reference frame that PROJ's registry knows.",
            where=where,
            remedy="Give a frame name (ITRF2020, NAD83(2011), ETRF2000, GDA2020 ...), an EPSG "
            "code such as EPSG:6428, or WKT.",
        ) from error


def _frame_and_projection(frame: str, projection: str) -> CRS | None:
    """A projected CRS on the frame of a preset; None where the text is not of this form.

    The registry has one "ETRS89 / UTM zone 32N" for all realisations and no grids of a
    project's own; both are needed to say exactly what coordinates are.
    """
    preset = preset_of(frame)
    if preset is None:
        return None
    base = CRS.from_epsg(preset.code).to_2d()
    zone = _UTM.match(projection)
    if zone and 1 <= int(zone[1]) <= 60:
        hemisphere = zone[2].upper()
        utm = ProjectedCRS(
            UTMConversion(zone[1], hemisphere=hemisphere),
            name=f"{preset.name} / UTM zone {int(zone[1])}{hemisphere}",
            geodetic_crs=base,
        )
        return CRS.from_wkt(utm.to_wkt())
    if not re.match(r"(?i)epsg|\+proj|\d{4,6}$", projection):
        return None  # a registry name that happens to start with a frame's name
    pattern = _resolve(projection, "")
    if not pattern.is_projected:
        raise CRSError(f"{projection} is not a projection")
    label = "own projection" if projection.startswith("+") else projection
    combined = ProjectedCRS(
        pattern.coordinate_operation,
        name=f"{preset.name} / {label}",
        cartesian_cs=pattern.coordinate_system,
        geodetic_crs=base,
    )
    return CRS.from_wkt(combined.to_wkt())


class _SameText:
    """A CRS that is equal to another of the same text: PROJ takes a millisecond to compare two."""

    def __init__(self, crs: CRS) -> None:
        self.crs = crs

    def __hash__(self) -> int:
        return hash(self.crs.srs)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _SameText) and self.crs.srs == other.crs.srs


def horizontal_of(crs: CRS) -> CRS:
    """The horizontal part of a CRS, 2D (projected or geographic)."""
    return _horizontal_of(_SameText(crs))


@lru_cache(maxsize=256)
def _horizontal_of(key: _SameText) -> CRS:
    crs = key.crs
    if crs.is_compound:
        return horizontal_of(crs.sub_crs_list[0])
    return crs.to_2d()


def vertical_of(crs: CRS) -> CRS | None:
    """The vertical part of a compound CRS; None if there is none."""
    for part in crs.sub_crs_list if crs.is_compound else ():
        if part.is_vertical:
            return CRS(part)
    return None


def frame_of(crs: CRS, *, where: str = "") -> CRS:
    """The 3D geographic CRS that coordinates of a CRS stand on.

    Raises
    ------
    FrameError
        If the CRS is geocentric, vertical, engineering or bound to unknown ground.
    """
    return _frame_of(_SameText(crs), where)


@lru_cache(maxsize=256)
def _frame_of(key: _SameText, where: str) -> CRS:
    crs = key.crs
    horizontal = horizontal_of(crs)
    if horizontal.is_bound:
        raise FrameError(
            f"'{crs.name}' carries its own shift to WGS 84 (towgs84), which is metres good.",
            where=where,
            remedy="Give the EPSG code or WKT of the frame without a built-in shift.",
        )
    if horizontal.is_projected:
        base = horizontal.geodetic_crs
        if base is not None:
            return CRS(base).to_3d()
    if horizontal.is_geographic:
        return horizontal.to_3d()
    preset = preset_of(crs.name)
    raise FrameError(
        f"'{crs.name}' is a {crs.type_name}; shots need longitude and latitude, or easting and "
        "northing.",
        where=where,
        remedy=f"Use EPSG:{preset.code} ({preset.name}, geographic)."
        if preset
        else "Use the frame's geographic or a projected CRS.",
    )


def is_dynamic(crs: CRS) -> bool:
    """Whether plates move through the frame, so that a coordinate means little without an epoch."""
    datum = frame_of(crs).datum
    return datum is not None and datum.type_name.startswith("Dynamic")


def ensemble_accuracy(crs: CRS) -> float:
    """How far apart the frames are that a name stands for [m]; 0 for a single frame.

    ``'WGS 84'`` without a realisation covers frames 2 m apart (EPSG registry).
    """
    datum = frame_of(crs).datum
    if datum is None or datum.type_name != "Datum Ensemble":
        return 0.0
    return float(datum.to_json_dict().get("accuracy", 0.0))

"""Known mix-ups of coordinates, each tried on: how the checks would close if it were so.

A suspect is a way in which an upload could have been read wrongly. The upload is read again as
if that had happened, and the checks are compared again. Nothing is assumed about sizes: what a
frame, an epoch, a foot or a zone does is computed where the job is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType

from asfound.errors import AsfoundError
from asfound.geodesy import PRESETS, Place, is_dynamic, job_grid, resolve_frame, to_ground
from asfound.geodesy.suggestions import used_at
from asfound.model import JobSettings, Shots, Source
from asfound.units import INTERNATIONAL_FOOT, US_SURVEY_FOOT

Floats = npt.NDArray[np.float64]

CAUSES: dict[str, str] = {
    "frame": "the upload is in another reference frame than declared",
    "epoch": "the coordinates are of another epoch than they were taken for",
    "metre-foot": "feet were read as metres, or metres as feet",
    "foot-foot": "one foot was read for the other (international, US survey)",
    "swapped-axes": "easting and northing (longitude and latitude) are swapped",
    "zone": "the coordinates are in another zone or grid than declared",
    "height-kind": "ellipsoidal heights were read as orthometric, or the other way round",
    "antenna-height": "the antenna height is wrong",
    "antenna-feet": "the antenna height was entered in feet and read as metres, or the reverse",
}
"""Causes that can be named, in words."""

_FT, _FT_US = INTERNATIONAL_FOOT.metres, US_SURVEY_FOOT.metres
_FEET = ((_FT, "international feet"), (_FT_US, "US survey feet"))
# Frames that follow an ITRF within a centimetre or two are tried with it, not apart. Source:
# EPSG registry, operations between them and their accuracies.
_FOLLOWERS = {
    "ITRF2020": ("IGS20", "WGS 84 (G2296)"),
    "ITRF2014": ("IGS14", "IGb14", "WGS 84 (G2139)"),
    "ITRF2008": ("IGS08", "WGS 84 (G1762)"),
}
# Epochs that coordinates of dynamic frames are at times frozen at: reference epochs of national
# frames and of ITRF realisations. Source: EPSG registry, frames' reference epochs.
_FROZEN_EPOCHS = (1994.0, 1997.0, 2000.0, 2002.0, 2005.0, 2010.0, 2015.0, 2020.0)
# Height of the geoid above the ellipsoid, worldwide and rounded [m]; common knowledge, from
# memory. Both directions of the mix-up occur.
UNDULATION = (-60.0, 90.0)
POLE = (-2.5, 2.5)
"""An antenna height can be this wrong [m]: a pole's length; common practice."""


@dataclass(frozen=True, eq=False)
class Suspect:
    """One way in which an upload could have been read wrongly.

    Parameters
    ----------
    cause : str
        A key of `CAUSES`; ``''`` for none: the upload is as declared.
    words : str
        What would be so.
    residual : (n, 3) float64
        Measured minus reference if it were so: east, north, up [m]; NaN where it can't be.
    accuracy : float
        Of the change of frame in use then, shared by all checks [m].
    offsets : tuple of (low, high)
        Ranges of an unknown constant in height, all equally likely; empty: none.
    """

    cause: str
    words: str
    residual: Floats
    accuracy: float = 0.0
    offsets: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, eq=False)
class _Reading:
    """An upload as it could be read."""

    cause: str
    words: str
    shots: Shots
    source: Source
    reference: Floats


def suspects(
    shots: Shots, source: Source, settings: JobSettings, reference: Floats
) -> tuple[Suspect, ...]:
    """All suspects that make sense for one upload's checks, the innocent reading first.

    Parameters
    ----------
    shots : Shots
        n checks of one upload, as received (for repeats: the shots of that upload).
    source : Source
        The upload.
    settings : JobSettings
    reference : (n, 3) float64
        Known easting, northing, height in the job's frame [m]; height NaN where there is none.

    Notes
    -----
    A reading that PROJ refuses (outside the area, no operation) has NaN residuals. An innocent
    reading that is refused is evidence, too: it can't be right.
    """
    place = _place(settings, reference)
    alone = replace(shots, source=np.zeros(len(shots), np.int16))
    innocent = _Reading("", "as declared", alone, source, reference)
    found = [_tried(innocent, settings)]
    made: list[Callable[[_Reading, Place], Iterator[_Reading]]] = [
        _frames, _epochs, _units, _swaps, _zones, _antennas, _heights,
    ]  # fmt: skip
    for make in made:
        for reading in make(innocent, place):
            if reading.shots is alone and reading.source is source:  # the known points' side only
                moved = found[0].residual + reference - reading.reference
                suspect = Suspect(reading.cause, reading.words, moved, found[0].accuracy)
            else:
                suspect = _tried(reading, settings)
            if np.isfinite(suspect.residual[:, :2]).all():
                found.append(suspect)
    base = found[0]
    if np.isfinite(base.residual[:, 2]).any():
        low, high = UNDULATION
        found.append(
            replace(
                base,
                cause="height-kind",
                words="heights differ by the geoid's height above the ellipsoid",
                offsets=((low, high), (-high, -low)),
            )
        )
        found.append(
            replace(
                base,
                cause="antenna-height",
                words="the antenna height is off by a constant",
                offsets=(POLE,),
            )
        )
    return tuple(found)


def _place(settings: JobSettings, reference: Floats) -> Place:
    """Where the reference points are, from the job's own projection, to a hundredth of a degree:
    uploads of one job then share what the registry says of the place."""
    grid = job_grid(settings.frame, None, settings.grids)
    east, north = (np.array([np.nanmean(reference[:, k])]) for k in (0, 1))
    longitude, latitude = (round(float(part[0]), 2) for part in grid.unproject(east, north))
    return Place(longitude, latitude, longitude, latitude)


def _tried(reading: _Reading, settings: JobSettings) -> Suspect:
    try:
        ground = to_ground(reading.shots, [reading.source], settings)
    except AsfoundError:
        return Suspect(reading.cause, reading.words, np.full_like(reading.reference, np.nan))
    measured = np.column_stack((ground.easting, ground.northing, ground.height))
    accuracy = max((operation.accuracy for operation in ground.operations), default=0.0)
    return Suspect(reading.cause, reading.words, measured - reading.reference, max(accuracy, 0.0))


def _frames(reading: _Reading, place: Place) -> Iterator[_Reading]:
    """Every frame in use at the place, with the upload's own projection if it has one."""
    declared = resolve_frame(reading.source.frame.crs)
    # a declared epoch of a dynamic frame is kept: that it is wrong is another suspect's matter
    epoch = reading.source.frame.epoch
    if not is_dynamic(declared) and not np.isnat(reading.shots.time).any():
        epoch = None
    followers = {name for names in _FOLLOWERS.values() for name in names}
    for preset in PRESETS:
        if preset.name in followers:
            continue
        crs = CRS.from_epsg(preset.code)
        if not (is_dynamic(crs) or used_at(crs, place)):
            continue
        text = _on_frame(preset.name, declared, reading.source.frame.crs)
        if not text:
            continue
        frame = replace(reading.source.frame, crs=text, epoch=epoch)
        yield replace(
            reading,
            cause="frame",
            words=" or ".join(
                (f"the coordinates are in {preset.name}", *_FOLLOWERS.get(preset.name, ()))
            ),
            source=replace(reading.source, frame=frame),
        )


def _on_frame(name: str, declared: CRS, text: str) -> str:
    """A frame with the projection of a declared CRS; empty where that can't be written."""
    if declared.is_compound:
        declared, text = CRS(declared.sub_crs_list[0]), ""
    if not declared.is_projected:
        return name
    code = declared.to_epsg()
    if code is not None:
        return f"{name} / EPSG:{code}"
    return f"{name} / {text.split('/', 1)[1].strip()}" if "/" in text else ""


def _epochs(reading: _Reading, place: Place) -> Iterator[_Reading]:
    """The epoch left out, or put where it does not belong."""
    declared = reading.source.frame
    if not is_dynamic(resolve_frame(declared.crs)):
        return
    epochs: list[float | None] = list(_FROZEN_EPOCHS)
    if declared.epoch is not None and not np.isnat(reading.shots.time).any():
        epochs.append(None)
    for epoch in epochs:
        if epoch == declared.epoch:
            continue
        when = "the day they were measured" if epoch is None else f"{epoch:.1f}"
        frame = replace(declared, epoch=epoch)
        yield replace(
            reading,
            cause="epoch",
            words=f"the coordinates are of {when}",
            source=replace(reading.source, frame=frame),
        )


def _units(reading: _Reading, place: Place) -> Iterator[_Reading]:
    """Lengths in another unit than they were taken for; on either side of the comparison."""
    shots, reference = reading.shots, reading.reference
    projected = resolve_frame(reading.source.frame.crs)
    if projected.is_compound:
        projected = CRS(projected.sub_crs_list[0])
    ratio = _FT / _FT_US
    for factor, cause, words in (
        *((f, "metre-foot", f"are {name} that were read as metres") for f, name in _FEET),
        *((1 / f, "metre-foot", f"are metres that were read as {name}") for f, name in _FEET),
        (ratio, "foot-foot", "are international feet that were read as US survey feet"),
        (1 / ratio, "foot-foot", "are US survey feet that were read as international feet"),
    ):
        heights = (False, True) if cause == "metre-foot" else (False,)
        for tall in heights:
            scale = np.array([factor, factor, factor if tall else 1.0])
            what = "coordinates and heights" if tall else "coordinates"
            if projected.is_projected:
                yield replace(
                    reading,
                    cause=cause,
                    words=f"the {what} {words}",
                    shots=replace(
                        shots,
                        x=shots.x * factor,
                        y=shots.y * factor,
                        height=shots.height * scale[2],
                    ),
                )
            yield replace(
                reading,
                cause=cause,
                words=f"the {what} of the known points {words}",
                reference=reference * scale,
            )
        if cause == "metre-foot" and np.isfinite(shots.height).any():
            yield replace(
                reading,
                cause=cause,
                words=f"the heights {words}",
                shots=replace(shots, height=shots.height * factor),
            )


def _swaps(reading: _Reading, place: Place) -> Iterator[_Reading]:
    shots = reading.shots
    yield replace(
        reading,
        cause="swapped-axes",
        words="easting and northing (longitude and latitude) of the upload are swapped",
        shots=replace(shots, x=shots.y, y=shots.x),
    )
    yield replace(
        reading,
        cause="swapped-axes",
        words="easting and northing of the known points are swapped",
        reference=reading.reference[:, [1, 0, 2]],
    )


def _zones(reading: _Reading, place: Place) -> Iterator[_Reading]:
    """Other grids of the same frame that are meant for the place, and the zones beside it."""
    text = reading.source.frame.crs
    declared = resolve_frame(text)
    if declared.is_compound:
        declared = CRS(declared.sub_crs_list[0])
    if not declared.is_projected:
        return
    for other in _grids_of_frame(declared, text, place):
        frame = replace(reading.source.frame, crs=other[0])
        yield replace(
            reading,
            cause="zone",
            words=f"the coordinates are in {other[1]}",
            source=replace(reading.source, frame=frame),
        )


def _grids_of_frame(declared: CRS, text: str, place: Place) -> Iterator[tuple[str, str]]:
    """(CRS, name) of grids in the same unit that the true place may have been drawn in."""
    family = declared.name.split(" / ")[0]
    unit = declared.axis_info[0].unit_conversion_factor
    if declared.utm_zone and "/" in text and declared.to_epsg() is None:
        zone, letter = int(declared.utm_zone[:-1]), declared.utm_zone[-1]
        for near in (zone - 1, zone + 1):
            name = f"{family} / UTM zone {(near - 1) % 60 + 1}{letter}"
            yield name, name
        return
    # half a zone around: work beside a zone's edge is often drawn in the neighbour
    box = AreaOfInterest(
        place.longitude - 1.0, place.latitude - 0.5, place.longitude + 1.0, place.latitude + 0.5
    )
    for info in query_crs_info("EPSG", [PJType.PROJECTED_CRS], area_of_interest=box):
        if info.name.split(" / ")[0] != family or info.name == declared.name or info.deprecated:
            continue
        other = CRS.from_epsg(int(info.code))
        directions = {axis.direction.lower() for axis in other.axis_info}
        if directions == {"east", "north"} and np.isclose(
            other.axis_info[0].unit_conversion_factor, unit, rtol=1e-9
        ):
            yield f"EPSG:{info.code}", info.name


def _antennas(reading: _Reading, place: Place) -> Iterator[_Reading]:
    """The pole's length in the wrong unit, not taken off, or taken off twice."""
    shots, source = reading.shots, reading.source
    pole = np.where(np.isfinite(shots.antenna_height), shots.antenna_height, source.antenna_height)
    if not np.isfinite(pole).all():
        return
    if source.position_of != "antenna":
        yield replace(
            reading,
            cause="antenna-height",
            words="the antenna height was not taken off",
            shots=replace(shots, antenna_height=pole),
            source=replace(source, position_of="antenna"),
        )
        return
    yield replace(
        reading,
        cause="antenna-height",
        words="the positions were on the ground already, so the antenna height is off twice",
        source=replace(source, position_of="ground"),
    )
    yield replace(
        reading,
        cause="antenna-feet",
        words="the antenna height is feet that were read as metres",
        shots=replace(shots, antenna_height=pole * _FT),
    )
    yield replace(
        reading,
        cause="antenna-feet",
        words="the antenna height is metres that were read as feet",
        shots=replace(shots, antenna_height=pole / _FT),
    )


def _heights(reading: _Reading, place: Place) -> Iterator[_Reading]:
    """The other kind of height, by the job's own geoid model where it has one."""
    frame = reading.source.frame
    other = {"ellipsoidal": "orthometric", "orthometric": "ellipsoidal"}.get(frame.height_kind)
    if other is None:
        return
    # only a geoid model in the job's folder makes this exact; else it is a free constant
    yield replace(
        reading,
        cause="height-kind",
        words=f"the heights are {other}",
        source=replace(reading.source, frame=replace(frame, height_kind=other)),
    )

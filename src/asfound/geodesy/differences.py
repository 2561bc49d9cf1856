"""How far apart reference frames, and the two feet, are at a place: in metres and plain words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pyproj import CRS

from asfound.errors import FrameError
from asfound.geodesy.ellipsoid import Ellipsoid
from asfound.geodesy.frames import (
    PRESETS,
    ensemble_accuracy,
    frame_of,
    is_dynamic,
    resolve_frame,
)
from asfound.geodesy.local import local_offset
from asfound.geodesy.operations import choose_operation
from asfound.geodesy.places import Place
from asfound.geodesy.suggestions import used_at
from asfound.units import INTERNATIONAL_FOOT, US_SURVEY_FOOT

# Frames that services with worldwide coverage deliver, newest first. IGS20 and WGS 84 (G2296)
# are ITRF2020 to within a centimetre.
_SERVICES = ("ITRF2020", "ITRF2014")
_COMPASS = (
    "north", "north-north-east", "north-east", "east-north-east",
    "east", "east-south-east", "south-east", "south-south-east",
    "south", "south-south-west", "south-west", "west-south-west",
    "west", "west-north-west", "north-west", "north-north-west",
)  # fmt: skip


_LEAST = 0.0005  # a difference below this is none [m]
_YEARS = (1980.0, 2100.0)  # an epoch outside is a slip of the finger


@dataclass(frozen=True)
class FrameDifference:
    """What it costs to take coordinates of one frame for those of another at a place.

    Parameters
    ----------
    source, target : str
        Frame that coordinates are in, and frame that they are taken for.
    epoch : float
        Decimal year.
    east, north, up : float
        Target minus source [m]: what a right transformation adds.
    horizontal : float
        [m].
    bearing : float
        True bearing in which a point lands wrong when it is not transformed [rad].
    accuracy : float
        Of the difference, as the registry states it [m].
    operation : str
        The registry's name of the operation.
    words : str
        One sentence.
    """

    source: str
    target: str
    epoch: float
    east: float
    north: float
    up: float
    horizontal: float
    bearing: float
    accuracy: float
    operation: str
    words: str

    @property
    def standing(self) -> str:
        """The other mistake in one sentence: whoever stakes out stands off the opposite way."""
        if not self.horizontal >= _LEAST:
            return ""
        compass = _compass(self.bearing + math.pi)
        return (
            f"stake out {self.target} coordinates with a service in {self.source}, and you stand "
            f"{self.horizontal:.3f} m to the {compass}"
        )


def compare_frames(
    longitude: float,
    latitude: float,
    epoch: float,
    frames: Sequence[str] | None = None,
    height: float = 0.0,
    grids: tuple[str, ...] = (),
) -> tuple[FrameDifference, ...]:
    """Differences between frames at a place.

    Parameters
    ----------
    longitude, latitude : float
        [deg].
    epoch : float
        Decimal year of the observation.
    frames : sequence of str or None
        Names or codes; each pair is compared, the earlier one as the service. None: worldwide
        services against the plate-fixed presets that are meant for the place, and the newest
        of these against the others.
    height : float
        Ellipsoidal [m].
    grids : tuple of str
        Folders with grid files.

    Returns
    -------
    tuple of FrameDifference
        A pair that can't be compared honestly has NaN and says why in `words`.

    Raises
    ------
    FrameError
        If the place or a frame can't be used.
    """
    known = _YEARS[0] <= epoch <= _YEARS[1]
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 360.0 and known):
        raise FrameError(
            f"latitude {latitude}, longitude {longitude} at {epoch} is no place and time.",
            remedy="Latitude comes first and lies between -90 and 90 degrees; the epoch is a "
            "decimal year such as 2026.9.",
        )
    longitude = (longitude + 180.0) % 360.0 - 180.0
    place = Place(longitude, latitude, longitude, latitude)
    if frames is None:
        pairs = _usual_pairs(place)
    else:
        crss = [(name, frame_of(resolve_frame(name))) for name in frames]
        pairs = [(a, b) for k, a in enumerate(crss) for b in crss[k + 1 :]]
    return tuple(
        _difference(service, local, place, epoch, height, grids) for service, local in pairs
    )


_Named = tuple[str, CRS]


def _usual_pairs(place: Place) -> list[tuple[_Named, _Named]]:
    services = [(name, resolve_frame(name)) for name in _SERVICES]
    locals_here = []
    for preset in PRESETS:
        crs = CRS.from_epsg(preset.code)
        if not preset.current or is_dynamic(crs) or ensemble_accuracy(crs):
            continue
        if used_at(crs, place):
            locals_here.append((preset.name, crs))
    pairs = [(service, local) for local in locals_here for service in services]
    if not locals_here:
        return [(services[0], services[1])]
    return pairs + [(locals_here[0], other) for other in locals_here[1:]]


def _difference(
    service: _Named,
    local: _Named,
    place: Place,
    epoch: float,
    height: float,
    grids: tuple[str, ...],
) -> FrameDifference:
    try:
        change = choose_operation(
            service[1], local[1], place, grids=grids, position_accuracy=float("inf")
        )
        if change.ensemble:
            raise FrameError(
                f"'{service[0] if ensemble_accuracy(service[1]) else local[0]}' names a family of "
                f"frames {change.ensemble:g} m apart, not one frame."
            )
    except FrameError as error:
        nan = float("nan")
        return FrameDifference(
            service[0], local[0], epoch, nan, nan, nan, nan, nan, nan, "",
            f"{service[0]} and {local[0]} can't be compared here: {error.what}",
        )  # fmt: skip
    lon, lat, up_there, _ = change.transformer().transform(
        [place.longitude], [place.latitude], [height], [epoch]
    )
    moved = local_offset(
        np.asarray(lon), np.asarray(lat), np.asarray(up_there),
        place.longitude, place.latitude, height, Ellipsoid.of(local[1]),
    )  # fmt: skip
    east, north, up = (float(part[0]) for part in moved)
    horizontal = math.hypot(east, north)
    bearing = math.atan2(-east, -north) % (2.0 * math.pi)
    return FrameDifference(
        source=service[0],
        target=local[0],
        epoch=epoch,
        east=east,
        north=north,
        up=up,
        horizontal=horizontal,
        bearing=bearing,
        accuracy=change.accuracy,
        operation=change.name,
        words=_words(service, local[0], epoch, horizontal, bearing, up, change.accuracy),
    )


def _words(
    service: _Named,
    local: str,
    epoch: float,
    horizontal: float,
    bearing: float,
    up: float,
    accuracy: float,
) -> str:
    when = f" at {epoch:.1f}" if is_dynamic(service[1]) else ""
    if horizontal < _LEAST and abs(up) < _LEAST:
        size = f"reads the same as {local} here"
    else:
        compass = _compass(bearing)
        size = (
            f"reads {horizontal:.3f} m from {local} here, to the {compass}, and "
            f"{abs(up):.3f} m {'low' if up > 0.0 else 'high'}"
        )
    doubt = f" (known to {accuracy:.2g} m)" if accuracy > 0.0 else ""
    return f"a service in {service[0]}{when} {size}{doubt}"


def _compass(bearing: float) -> str:
    return _COMPASS[round(math.degrees(bearing) / 22.5) % 16]


@dataclass(frozen=True)
class FootMixUp:
    """What it costs to read one foot for the other [m], with a sentence."""

    east: float
    north: float
    horizontal: float
    words: str


def foot_mix_up(easting: float, northing: float) -> FootMixUp:
    """How far a point is off when its coordinates in one foot are read in the other.

    Parameters
    ----------
    easting, northing : float
        [m].

    Notes
    -----
    The US survey foot is longer by two parts in a million (1200/3937 m against 0.3048 m), so the
    size hangs on how large the coordinates are.
    """
    share = US_SURVEY_FOOT.metres / INTERNATIONAL_FOOT.metres - 1.0
    east, north = abs(easting) * share, abs(northing) * share
    horizontal = math.hypot(east, north)
    feet = horizontal / INTERNATIONAL_FOOT.metres
    return FootMixUp(
        east,
        north,
        horizontal,
        f"US survey feet read as international feet, or the other way round, are {horizontal:.3f} "
        f"m ({feet:.2f} ft) off here",
    )

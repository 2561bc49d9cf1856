"""How the ground moves with its plate through a global frame, by the published plate models.

A plate turns as a rigid body about an axis through the Earth's centre: v = rotation x position.
That holds in a plate's interior, to a fraction of a millimetre a year; near plate boundaries the
ground deforms, and no such model says how.

>>> v, c = velocity_at(np.array([49.14]), np.array([12.88]), "EURA", "ITRF2014")
>>> np.round(1000.0 * v[0], 1).tolist()  # east, north, up [mm a year]
[20.3, 15.4, 0.0]
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt
import shapely

from asfound.errors import FrameError
from asfound.geodesy.frames import preset_of
from asfound.geodesy.local import GRS80, geocentric

Floats = npt.NDArray[np.float64]

_MILLIARCSECOND = float(np.radians(1.0 / 3.6e6))
UP_SD = 0.001
"""Vertical motion of stable ground [m a year], 1 sigma; the models say nothing of it. Common
practice, no source; land that rises after the ice age (Hudson Bay, Scandinavia) does ten times
as much."""
DEFORMATION_SD = 0.02
"""Motion against the plate where the ground lies in no plate's interior [m a year], 1 sigma and
axis; plate boundaries take up centimetres a year. Common practice, no source."""


@dataclass(frozen=True)
class PlateModel:
    """A plate motion model.

    Parameters
    ----------
    name, citation : str
    frames : tuple of str
        Names of the frames it holds in.
    rotation : dict of str to 3 floats
        By plate, about X, Y, Z [rad a year].
    rotation_sd : dict of str to 3 floats
        [rad a year].
    origin_rate : tuple of float
        To be added to horizontal velocities, geocentric [m a year].
    precision : float
        Of the model about its own sites, one horizontal axis [m a year].
    """

    name: str
    citation: str
    frames: tuple[str, ...]
    rotation: dict[str, tuple[float, ...]]
    rotation_sd: dict[str, tuple[float, ...]]
    origin_rate: tuple[float, ...]
    precision: float


@lru_cache(maxsize=1)
def _data() -> tuple[tuple[PlateModel, ...], dict[str, str], dict[str, shapely.Polygon]]:
    text = files("asfound.geodesy").joinpath("plate_motion.toml").read_text("utf-8")
    tree = tomllib.loads(text)
    models = tuple(
        PlateModel(
            name=row["name"],
            citation=row["citation"],
            frames=tuple(row["frames"]),
            rotation={
                code: tuple(v * _MILLIARCSECOND for v in plate["rotation"])
                for code, plate in row["plate"].items()
            },
            rotation_sd={
                code: tuple(v * _MILLIARCSECOND for v in plate["sd"])
                for code, plate in row["plate"].items()
            },
            origin_rate=tuple(v / 1000.0 for v in row["origin_rate"]),
            precision=row["precision"] / 1000.0,
        )
        for row in tree["model"]
    )
    plates = tree["plate"]
    names = {code: plate["name"] for code, plate in plates.items()}
    interiors = {
        code: shapely.Polygon(plate["interior"])
        for code, plate in plates.items()
        if "interior" in plate
    }
    return models, names, interiors


def plate_models() -> tuple[PlateModel, ...]:
    """All models, newest first."""
    return _data()[0]


def plate_names() -> dict[str, str]:
    """Plates by their four letters."""
    return dict(_data()[1])


def plate_model(frame: str) -> PlateModel | None:
    """The model that holds in a frame; None if there is none."""
    preset = preset_of(frame)
    name = preset.name if preset else frame
    return next((model for model in plate_models() if name in model.frames), None)


def plate_code(text: str) -> str:
    """A plate's four letters from these or its name.

    Raises
    ------
    FrameError
        If no model has such a plate.
    """
    names = plate_names()
    plain = text.strip().casefold()
    for code, name in names.items():
        if plain in (code.casefold(), name.casefold()):
            return code
    raise FrameError(
        f"no plate is called '{text}'.",
        where="the plate",
        remedy="Take one of: " + ", ".join(f"{code} ({name})" for code, name in names.items()),
    )


def plate_interior(latitude: float, longitude: float) -> str:
    """The plate in whose interior a place lies; empty where that is not certain.

    Notes
    -----
    Interiors are rings drawn by hand, well inside the plates (`plate_motion.toml`). Between them
    the answer is empty on purpose: a plate can be named there, but the ground deforms.
    """
    spot = shapely.Point((longitude + 180.0) % 360.0 - 180.0, latitude)
    for code, ring in _data()[2].items():
        if ring.covers(spot):
            return code
    return ""


def velocity_at(
    latitude: Floats, longitude: Floats, plate: str, frame: str
) -> tuple[Floats, Floats]:
    """Velocity of the ground through a frame, as its plate moves.

    Parameters
    ----------
    latitude, longitude : (n,) float64
        [deg].
    plate : str
        Four letters or name.
    frame : str
        A global frame, in any spelling.

    Returns
    -------
    velocity : (n, 3) float64
        East, north, up [m a year]; up is zero: the models hold for horizontal motion.
    covariance : (n, 3, 3) float64
        Of the rotation and of the model's own precision; with `UP_SD` upward, and with
        `DEFORMATION_SD` where the place lies in no plate's interior [m2 a-2].

    Raises
    ------
    FrameError
        If no model holds in the frame, or it has no such plate.

    Notes
    -----
    v = rotation x position, plus the model's origin rate, then the horizontal part of both, as
    the ITRF2020 model's authors advise.
    """
    model = plate_model(frame)
    if model is None:
        known = ", ".join(name for item in plate_models() for name in item.frames)
        raise FrameError(
            f"no plate motion model is known for {frame}.",
            where="the plate motion",
            remedy=f"Models hold in: {known}.",
        )
    code = plate_code(plate)
    if code not in model.rotation:
        raise FrameError(
            f"{model.name} has no plate {code}.",
            where="the plate motion",
            remedy=f"It has: {', '.join(model.rotation)}.",
        )
    latitude, longitude = np.atleast_1d(latitude), np.atleast_1d(longitude)
    position = np.stack(geocentric(longitude, latitude, np.zeros(len(latitude)), GRS80), axis=1)
    axes = _east_north(latitude, longitude)
    rotation = np.array(model.rotation[code])
    geocentric_rate = np.cross(rotation, position) + np.array(model.origin_rate)
    velocity = np.zeros((len(latitude), 3))
    velocity[:, :2] = np.einsum("nij,nj->ni", axes, geocentric_rate)
    # d(rotation x position)/d(rotation) = -[position x]
    effect = np.einsum("nij,njk->nik", axes, -_cross_matrix(position))
    level = np.einsum("nij,j,nkj->nik", effect, np.array(model.rotation_sd[code]) ** 2, effect)
    spread = model.precision**2
    covariance = np.zeros((len(latitude), 3, 3))
    covariance[:, :2, :2] = level + np.eye(2) * spread
    covariance[:, 2, 2] = UP_SD**2
    for k, (lat, lon) in enumerate(zip(latitude.tolist(), longitude.tolist(), strict=True)):
        if plate_interior(lat, lon) != code:
            covariance[k, :2, :2] += np.eye(2) * DEFORMATION_SD**2
    return velocity, covariance


def moved_by(
    longitude: Floats, latitude: Floats, velocity: Floats, years: float
) -> tuple[Floats, Floats]:
    """Longitude and latitude [deg] after some years of a velocity.

    Parameters
    ----------
    longitude, latitude : (n,) float64
        [deg].
    velocity : (n, 3) float64
        East, north, up [m a year].
    years : float
    """
    meridian, prime_vertical = GRS80.radii(np.sin(np.radians(latitude)) ** 2)
    north = np.degrees(velocity[:, 1] * years / meridian)
    east = np.degrees(velocity[:, 0] * years / (prime_vertical * np.cos(np.radians(latitude))))
    return longitude + east, latitude + north


def _east_north(latitude: Floats, longitude: Floats) -> Floats:
    """(n, 2, 3): unit vectors east and north in geocentric axes."""
    phi, lam = np.radians(latitude), np.radians(longitude)
    nothing = np.zeros(len(phi))
    east = np.stack((-np.sin(lam), np.cos(lam), nothing), axis=1)
    north = np.stack((-np.sin(phi) * np.cos(lam), -np.sin(phi) * np.sin(lam), np.cos(phi)), axis=1)
    return np.stack((east, north), axis=1)


def _cross_matrix(vector: Floats) -> Floats:
    """(n, 3, 3) matrices with [v x] a = v x a."""
    x, y, z = vector.T
    nothing = np.zeros(len(x))
    rows = ((nothing, -z, y), (z, nothing, -x), (-y, x, nothing))
    return np.stack([np.stack(row, axis=1) for row in rows], axis=1)

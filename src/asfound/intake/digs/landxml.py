"""Paths of a LandXML file: plan features, alignments of straight legs, and their profiles.

LandXML 1.2 lists northing before easting; `Units` and `CoordinateSystem` tell of its frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from xml.etree.ElementTree import Element

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError

Floats = npt.NDArray[np.float64]

_LINEAR = {"meter": "m", "metre": "m", "foot": "ft", "ussurveyfoot": "ftUS"}
_SAG = 0.001
"""Chords stay this near to a vertical curve, in the file's unit."""


@dataclass(frozen=True, eq=False)
class Path:
    """A path: (k, 3) easting, northing, height, NaN where it has none."""

    point: Floats
    name: str
    description: str
    where: str


def declared_unit(root: Element, name: str) -> str:
    """The unit of its lengths: ``'m'``, ``'ft'`` or ``'ftUS'``; empty if it does not say.

    Raises
    ------
    InputError
        If it is another.
    """
    for element in root.iter():
        if local(element) in ("Metric", "Imperial"):
            said = element.get("linearUnit", "")
            if said and said.lower() not in _LINEAR:
                raise InputError(
                    f"its lengths are in '{said}'.",
                    where=name,
                    remedy="Export it in metres, feet or US survey feet.",
                )
            return _LINEAR.get(said.lower(), "")
    return ""


def declared_crs(root: Element) -> str:
    """The CRS that it declares; empty if it does not."""
    for element in root.iter():
        if local(element) == "CoordinateSystem":
            code = element.get("epsgCode", "").strip()
            if code:
                return code if ":" in code else f"EPSG:{code}"
            return element.get("ogcWktCode", "").strip()
    return ""


def paths(root: Element, name: str) -> list[Path]:
    """All plan features and alignments.

    Raises
    ------
    InputError
        If one has curves in plan, or a profile that can't be read.
    """
    found = []
    for element in root.iter():
        if local(element) not in ("Alignment", "PlanFeature"):
            continue
        where = f"{name}, {local(element)} {element.get('name', '')}"
        point = _plan(element, where)
        if len(point) < 2:
            continue
        profile = _profile(element, where)
        if profile is not None:
            point = _raised(point, profile, element, where)
        found.append(Path(point, element.get("name", ""), element.get("desc", ""), where))
    return found


def local(element: Element) -> str:
    """A tag without its namespace."""
    return str(element.tag).rpartition("}")[2]


def _values(text: str | None, where: str) -> list[float]:
    try:
        return [float(word) for word in (text or "").split()]
    except ValueError as error:
        raise InputError(
            "its coordinates can't be read.", where=where, remedy="Export it again."
        ) from error


def _plan(element: Element, where: str) -> Floats:
    points: list[list[float]] = []
    for part in element.iter():
        tag = local(part)
        if tag in ("Curve", "Spiral", "Chain"):
            raise InputError(
                f"it has a {tag.lower()} element; straight legs and 3D point lists are read.",
                where=where,
                remedy="Export it as a 3D polyline (PntList3D).",
            )
        if tag in ("PntList3D", "PntList2D") and not _in_profile(element, part):
            size = int(tag[-2])
            values = _values(part.text, where)
            if len(values) % size:
                raise InputError(
                    "its coordinates can't be read.", where=where, remedy="Export it again."
                )
            for k in range(0, len(values), size):
                points.append([*values[k : k + size], math.nan][:3])
        elif tag in ("Start", "End") and part.text:
            one = [*_values(part.text, where), math.nan][:3]
            if len(one) == 3 and (not points or points[-1][:2] != one[:2]):
                points.append(one)
    if not points:
        return np.empty((0, 3))
    return np.array(points, np.float64)[:, [1, 0, 2]]


def _in_profile(element: Element, part: Element) -> bool:
    return any(part in profile.iter() for profile in element.iter() if local(profile) == "Profile")


def _profile(element: Element, where: str) -> Floats | None:
    """(k, 2) station and height of the one profile of an alignment; None without."""
    drawn = [part for part in element.iter() if local(part) == "ProfAlign"]
    if not drawn:
        return None
    if len(drawn) > 1:
        raise InputError(
            f"it has {len(drawn)} profiles.",
            where=where,
            remedy="Export only the profile of the bore or of the trench's bottom.",
        )
    corner: list[list[float]] = []
    length: list[float] = []
    for part in drawn[0]:
        tag = local(part)
        if tag in ("CircCurve", "UnsymParaCurve"):
            raise InputError(
                f"its profile has a {tag} element; corners and parabolas are read.",
                where=where,
                remedy="Export it as a 3D polyline (PntList3D).",
            )
        if tag in ("PVI", "ParaCurve"):
            values = _values(part.text, where)
            if len(values) != 2:
                raise InputError(
                    "a corner of its profile is not a station and a height.",
                    where=where,
                    remedy="Export it again.",
                )
            corner.append(values)
            length.append((_values(part.get("length"), where) or [0.0])[0])
    if len(corner) < 2 or any(b[0] <= a[0] for a, b in pairwise(corner)):
        raise InputError(
            "the stations of its profile go back, or are fewer than two.",
            where=where,
            remedy="Export it again, from start to end.",
        )
    return _rounded(np.array(corner), np.array(length), where)


def _rounded(corner: Floats, length: Floats, where: str) -> Floats:
    """The profile with its parabolas as chords."""
    station, height = corner.T
    grade = np.diff(height) / np.diff(station)
    half = 0.5 * length
    half[[0, -1]] = 0.0
    if np.any(half[:-1] + half[1:] > np.diff(station) + 1e-6):
        raise InputError(
            "vertical curves of its profile overlap.", where=where, remedy="Export it again."
        )
    rows: list[Floats] = []
    for k in range(len(corner)):
        if half[k] <= 0:
            rows.append(corner[k : k + 1])
            continue
        # y'' = change of grade / length, and a chord of c strays by y'' c² / 8
        bend = abs(grade[k] - grade[k - 1]) / length[k]
        chord = math.sqrt(8.0 * _SAG / bend) if bend > 0 else length[k]
        at = np.linspace(0.0, length[k], math.ceil(length[k] / chord) + 1)
        start = height[k] - grade[k - 1] * half[k]
        rise = grade[k - 1] * at + 0.5 * (grade[k] - grade[k - 1]) / length[k] * at**2
        rows.append(np.column_stack((station[k] - half[k] + at, start + rise)))
    return np.vstack(rows)


def _raised(point: Floats, profile: Floats, element: Element, where: str) -> Floats:
    """The plan with the profile's heights, from its first station to its last."""
    begin = (_values(element.get("staStart"), where) or [0.0])[0]
    step = np.hypot(*np.diff(point[:, :2], axis=0).T)
    along = begin + np.concatenate(([0.0], np.cumsum(step)))
    low, high = max(along[0], profile[0, 0]), min(along[-1], profile[-1, 0])
    if not high > low:
        raise InputError(
            f"its profile runs from station {profile[0, 0]:.3f} to {profile[-1, 0]:.3f}, the "
            f"alignment from {along[0]:.3f} to {along[-1]:.3f}.",
            where=where,
            remedy="Export alignment and profile together.",
        )
    at = np.unique(np.concatenate((along, profile[:, 0])))
    at = at[(at >= low) & (at <= high)]
    return np.column_stack(
        (
            np.interp(at, along, point[:, 0]),
            np.interp(at, along, point[:, 1]),
            np.interp(at, profile[:, 0], profile[:, 1]),
        )
    )

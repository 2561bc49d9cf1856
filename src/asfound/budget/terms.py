"""The error budget: each cause of error as a named term, and their sum for every shot.

A term is a variance per axis of the job's grid, and says by which group its error is shared.
Errors of the position act along both horizontal axes; errors of the field (pinpointing, a
neighbour's field) act across the line only, because a line is located across itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from asfound.budget.ellipses import NORMAL_95, RAYLEIGH_95, circular_factor, principal_axes
from asfound.budget.profile import Profile
from asfound.budget.sizes import outside_diameters
from asfound.em import distortion_sd, two_coil_depth_sd
from asfound.model import (
    Assembly,
    Budget,
    BudgetTerm,
    Fix,
    Ground,
    JobSettings,
    Receiver,
    Shots,
    Source,
    SweepCorrection,
)

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int32]


def error_budget(
    shots: Shots,
    ground: Ground,
    assembly: Assembly,
    sources: Sequence[Source],
    settings: JobSettings,
    profile: Profile,
    corrections: Sequence[SweepCorrection] = (),
) -> Budget:
    """Error budget of the conductor's centre at every shot.

    Parameters
    ----------
    shots : Shots
        n rows.
    ground : Ground
    assembly : Assembly
        Gives the line's bearing at each shot; where it is not known the field's part is taken
        in all directions.
    sources : sequence of Source
    settings : JobSettings
    profile : Profile
    corrections : sequence of SweepCorrection
        Shots whose place across the line and depth come from a sweep: its uncertainty stands in
        place of the field's terms.

    Returns
    -------
    Budget
        `centre_height` and the vertical values are NaN where a depth or a height is missing.
    """
    terms = _terms(shots, ground, assembly, sources, settings, profile)
    if corrections:
        terms = _with_sweeps(terms, assembly.bearing + np.pi / 2, corrections)
    count = len(shots)
    covariance = _sum(terms, count)
    independent = _sum([t for t in terms if t.shared_by is None], count)
    for term in terms:
        if term.shared_by is not None:
            _add(independent, term, np.asarray(term.shared_by < 0))
    has_depth = np.isfinite(shots.depth) & np.isfinite(ground.height)
    unknown = ~has_depth
    covariance[unknown, 2, 2] = np.nan
    independent[unknown, 2, 2] = np.nan
    major, minor, bearing = principal_axes(
        covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1]
    )
    ratio = np.divide(minor, major, out=np.ones(count), where=major > 0)
    return Budget(
        terms=tuple(terms),
        covariance=covariance,
        independent=independent,
        centre_height=ground.height - shots.depth,
        horizontal_95=major * circular_factor(ratio),
        vertical_95=NORMAL_95 * np.sqrt(covariance[:, 2, 2]),
        ellipse=np.stack([major * RAYLEIGH_95, minor * RAYLEIGH_95, bearing], axis=1),
        outside_diameter=outside_diameters(shots, assembly, settings.sizes),
    )


FIELD_TERMS = ("pinpointing", "neighbour-field", "depth-noise", "depth-scale")
"""Terms that a sweep's own uncertainty replaces."""


def _with_sweeps(
    terms: Sequence[BudgetTerm], across: Floats, corrections: Sequence[SweepCorrection]
) -> list[BudgetTerm]:
    """Terms with the field's part of corrected shots replaced by that of their sweep."""
    count = len(across)
    rows = np.array([item.shot for item in corrections])
    kept = np.ones(count)
    kept[rows] = 0.0
    changed = [
        replace(
            term,
            east_east=term.east_east * kept,
            north_north=term.north_north * kept,
            east_north=term.east_north * kept,
            up_up=term.up_up * kept,
        )
        if term.name in FIELD_TERMS
        else term
        for term in terms
    ]
    aside, below = np.zeros(count), np.zeros(count)
    aside[rows] = [item.horizontal_sd**2 for item in corrections]
    below[rows] = [item.depth_sd**2 for item in corrections]
    basis = "covariance of the sweep's inversion, tape and distance from it"
    changed.append(_directed("sweep", "Place and depth from a sweep", basis, aside, across, below))
    return changed


def _sum(terms: Sequence[BudgetTerm], count: int) -> Floats:
    total = np.zeros((count, 3, 3))
    for term in terms:
        _add(total, term, None)
    return total


def _add(total: Floats, term: BudgetTerm, only: npt.NDArray[np.bool_] | None) -> None:
    scale = 1.0 if only is None else only.astype(np.float64)
    for row, column, part in (
        (0, 0, term.east_east),
        (1, 1, term.north_north),
        (0, 1, term.east_north),
        (2, 2, term.up_up),
    ):
        if part.ndim or part != 0.0:
            total[:, row, column] += part * scale
            if row != column:
                total[:, column, row] += part * scale


def _constant(value: float) -> Floats:
    return np.array(value, np.float64)


def _term(
    name: str,
    title: str,
    basis: str,
    horizontal: Floats | float,
    vertical: Floats | float,
    shared_by: Codes | None = None,
) -> BudgetTerm:
    """A term that is the same in all horizontal directions; variances [m2]."""
    level = np.asarray(horizontal, np.float64)
    return BudgetTerm(
        name,
        title,
        basis,
        level,
        level,
        _constant(0.0),
        np.asarray(vertical, np.float64),
        shared_by,
    )


def _directed(
    name: str,
    title: str,
    basis: str,
    variance: Floats,
    bearing: Floats,
    vertical: Floats | float = 0.0,
) -> BudgetTerm:
    """A term that acts along a grid bearing; in all directions where the bearing is NaN."""
    known = np.isfinite(bearing)
    east, north = np.sin(bearing), np.cos(bearing)
    return BudgetTerm(
        name,
        title,
        basis,
        np.where(known, east * east, 1.0) * variance,
        np.where(known, north * north, 1.0) * variance,
        np.where(known, east * north, 0.0) * variance,
        np.asarray(vertical, np.float64),
    )


def _terms(
    shots: Shots,
    ground: Ground,
    assembly: Assembly,
    sources: Sequence[Source],
    settings: JobSettings,
    profile: Profile,
) -> list[BudgetTerm]:
    size = {key: profile("errors", key) for key in profile.tables["errors"]}
    source = shots.source.astype(np.int32)
    across = assembly.bearing + np.pi / 2
    depth = np.where(np.isfinite(shots.depth), shots.depth, size["default_depth"])
    pole = np.where(np.isfinite(shots.antenna_height), shots.antenna_height, np.nan)
    declared = np.array([s.antenna_height for s in sources] or [np.nan])[shots.source]
    at_ground = np.array([s.position_of == "ground" for s in sources] or [False])[shots.source]
    pole = np.where(np.isfinite(pole), pole, declared)
    pole = np.where(np.isfinite(pole), pole, size["default_antenna_height"])
    pole = np.where(at_ground, 0.0, pole)

    terms = [_gnss(shots, ground, settings.receivers, size)]
    if np.isfinite(shots.correction_age).any():
        late = np.maximum(np.nan_to_num(shots.correction_age) - size["age_free"], 0.0)
        drift = (size["age_rate"] * late) ** 2
        terms.append(
            _term("correction-age", "Age of the correction", "common practice", drift, 4 * drift)
        )
    terms.append(
        _term(
            "service",
            "Base or correction service in its frame",
            "common practice; the same for an upload",
            size["service_horizontal"] ** 2,
            size["service_vertical"] ** 2,
            source,
        )
    )
    stated = np.array([operation.accuracy for operation in ground.operations] or [0.0])
    if (stated > 0).any():
        accuracy = stated[ground.operation]
        terms.append(
            _term(
                "operation",
                "Change of frame",
                "accuracy stated by the registry of operations",
                accuracy**2 / 2,
                accuracy**2,
                ground.operation.astype(np.int32),
            )
        )
    label = np.array([s.position_accuracy for s in sources] or [0.0])
    if (label > 0).any():
        vague = label[shots.source] ** 2
        terms.append(
            _term(
                "frame-label",
                "Frame declared only by a vague name",
                "declared with the upload",
                vague,
                vague,
                source,
            )
        )
    if settings.frame.geoid or any(s.frame.geoid for s in sources):
        terms.append(
            _term(
                "geoid",
                "Geoid model",
                "common practice, no source",
                0.0,
                size["geoid"] ** 2,
                np.zeros(len(shots), np.int32),
            )
        )
    setting = np.where(at_ground, 0.0, size["antenna_height"] ** 2)
    terms.append(
        _term(
            "antenna-height",
            "Antenna height as set",
            "common practice; the same for a receiver and upload",
            0.0,
            setting,
            _pair_codes(source, shots.receiver.codes),
        )
    )
    measured = np.isfinite(shots.tilt)
    lean = np.deg2rad(np.where(measured, size["tilt_measured"], size["tilt_bubble"]))
    terms.append(
        _term(
            "tilt",
            "Lean of the pole",
            "tilt sensor or circular bubble, common practice",
            (pole * lean) ** 2,
            2 * (pole * lean**2 / 2) ** 2,
        )
    )
    terms.append(
        _term("seating", "Tip on uneven ground", "common practice", 0.0, size["seating"] ** 2)
    )
    if np.isfinite(shots.speed).any():
        moved = (size["latency"] * np.nan_to_num(shots.speed)) ** 2
        terms.append(_term("logging", "Moving while logging", "common practice", moved, 0.0))

    pinpoint = size["pinpoint_fixed"] ** 2 + (size["pinpoint_relative"] * depth) ** 2
    terms.append(
        _directed(
            "pinpointing", "Finding the peak", "common practice; across the line", pinpoint, across
        )
    )
    distortion = distortion_sd(shots.peak_null_separation, depth, shots.method)
    terms.append(
        _directed(
            "neighbour-field",
            "Fields of other conductors",
            "simulated over neighbour layouts; see what-the-receiver-hides",
            distortion.horizontal**2,
            across,
            distortion.depth**2,
        )
    )
    terms.append(
        _term(
            "depth-noise",
            "Noise of the depth reading",
            "two-coil formula at the stated coil noise",
            0.0,
            two_coil_depth_sd(
                depth, size["coil_separation"], size["coil_height"], size["coil_noise"]
            )
            ** 2,
        )
    )
    terms.append(
        _term(
            "depth-scale",
            "Depth scale of the hook-up",
            "common practice; the same for a hook-up",
            0.0,
            (size["depth_scale"] * depth) ** 2,
            _pair_codes(source * 0, shots.hookup.codes),
        )
    )
    return terms


def _pair_codes(first: Codes, second: Codes) -> Codes:
    """One non-negative code for each pair; unknown (-1) is a group of its own."""
    base = int(second.max(initial=-1)) + 2
    return (first * base + second + 1).astype(np.int32)


def _gnss(
    shots: Shots, ground: Ground, receivers: Sequence[Receiver], size: dict[str, float]
) -> BudgetTerm:
    """Position noise: as reported, else by receiver class, else by kind of fix."""
    distance = np.where(
        np.isfinite(shots.base_distance), shots.base_distance, size["default_base_distance"]
    )
    by_serial = {receiver.serial: receiver for receiver in receivers}
    classes = [by_serial.get(name, Receiver(name)) for name in shots.receiver.names]
    table = np.array([(r.horizontal, r.vertical, r.ppm) for r in [*classes, Receiver("")]])
    level, vertical, ppm = table[shots.receiver.codes].T
    class_east = ((level + ppm * 1e-6 * distance) / np.sqrt(2)) ** 2
    class_up = (vertical + ppm * 1e-6 * distance) ** 2
    fixed = shots.fix == Fix.RTK_FIXED
    rough = ~fixed
    if rough.any():
        fix = shots.fix
        differential = (fix == Fix.DIFFERENTIAL) | (fix == Fix.PPS)
        alone = (fix == Fix.AUTONOMOUS) | (fix == Fix.NONE) | (fix == Fix.ESTIMATED)
        alone |= (fix == Fix.MANUAL) | (fix == Fix.SIMULATED)
        kinds = [rough & ~differential & ~alone, differential, alone]
        class_east = np.select(
            kinds,
            [size[f"{kind}_horizontal"] ** 2 for kind in ("float", "differential", "autonomous")],
            class_east,
        )
        class_up = np.select(
            kinds,
            [size[f"{kind}_vertical"] ** 2 for kind in ("float", "differential", "autonomous")],
            class_up,
        )
    # A receiver's own figures count for a fixed solution; otherwise only if they are the worse.
    east = _reported(shots.east_sd, class_east, rough)
    north = _reported(shots.north_sd, class_east, rough)
    up = _reported(shots.up_sd, class_up, rough)
    turn = ground.convergence
    cosine, sine = np.cos(turn), np.sin(turn)
    return BudgetTerm(
        "gnss",
        "GNSS position",
        "the receiver's own figures; else its class and base distance, or the kind of fix",
        cosine**2 * east + sine**2 * north,
        sine**2 * east + cosine**2 * north,
        (east - north) * sine * cosine,
        up,
    )


def _reported(sd: Floats, fallback: Floats, rough: npt.NDArray[np.bool_]) -> Floats:
    known = np.isfinite(sd) & (sd > 0)
    own = np.where(known, sd, 0.0) ** 2
    own = np.where(rough, np.maximum(own, fallback), own)
    return np.where(known, own, fallback)

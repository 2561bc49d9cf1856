"""Errors of the position: of the antenna, of its frame, and of the pole down to the ground."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from asfound.budget.making import Codes, Floats, level_term, pair_codes
from asfound.model import BudgetTerm, Fix, Ground, JobSettings, Receiver, Shots, Source

_KIND_OF_FIX = {
    Fix.RTK_FLOAT: "float",
    Fix.NOT_RECORDED: "float",
    Fix.DIFFERENTIAL: "differential",
    Fix.PPS: "differential",
}
"""Rows of the profile by kind of solution; any other but fixed counts as autonomous."""


def position_terms(
    shots: Shots,
    ground: Ground,
    sources: Sequence[Source],
    settings: JobSettings,
    size: Mapping[str, float],
) -> list[BudgetTerm]:
    """Terms of the ground point's errors, each in both horizontal directions or upward.

    Parameters
    ----------
    shots : Shots
    ground : Ground
    sources : sequence of Source
    settings : JobSettings
    size : mapping
        The profile's table `errors`.
    """
    source = shots.source.astype(np.int32)
    terms = [_gnss(shots, ground, settings.receivers, size)]
    drift = _square(size["age_rate"], shots.correction_age - size["age_free"])
    terms.append(
        level_term("correction-age", "Age of the correction", "common practice", drift, 4 * drift)
    )
    terms.append(
        level_term(
            "service",
            "Base or correction service in its frame",
            "common practice; the same for an upload",
            size["service_horizontal"] ** 2,
            size["service_vertical"] ** 2,
            source,
        )
    )
    terms += _frame_terms(ground, sources, settings, source, size)
    terms.append(
        level_term(
            "antenna-height",
            "Antenna height as set",
            "common practice; the same for a receiver and upload",
            0.0,
            size["antenna_height"] ** 2,
            pair_codes(source, shots.receiver),
        )
    )
    terms.append(_tilt(shots, sources, size))
    terms.append(
        level_term("seating", "Tip on uneven ground", "common practice", 0.0, size["seating"] ** 2)
    )
    moved = _square(size["latency"], shots.speed)
    terms.append(level_term("logging", "Moving while logging", "common practice", moved, 0.0))
    return terms


def _square(rate: float, amount: Floats) -> Floats:
    """(rate x amount)^2 where the amount is known and positive; one zero if it never is."""
    known = np.fmax(amount, 0.0)
    return (rate * known) ** 2 if known.any() else np.array(0.0)


def _frame_terms(
    ground: Ground,
    sources: Sequence[Source],
    settings: JobSettings,
    source: Codes,
    size: Mapping[str, float],
) -> list[BudgetTerm]:
    terms = []
    stated = np.array([operation.accuracy for operation in ground.operations] or [0.0])
    if (stated > 0).any():
        accuracy = np.maximum(stated, 0.0)[ground.operation] ** 2
        terms.append(
            level_term(
                "operation",
                "Change of frame",
                "accuracy stated by the registry of operations",
                accuracy / 2,
                accuracy,
                ground.operation.astype(np.int32),
            )
        )
    label = np.array([s.position_accuracy for s in sources] or [0.0])
    if (label > 0).any():
        vague = (label**2)[source]
        terms.append(
            level_term(
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
            level_term(
                "geoid",
                "Geoid model",
                "common practice, no source",
                0.0,
                size["geoid"] ** 2,
                np.zeros(len(source), np.int32),
            )
        )
    return terms


def _tilt(shots: Shots, sources: Sequence[Source], size: Mapping[str, float]) -> BudgetTerm:
    """Lean of the pole that no sensor or bubble tells, also where the upload was reduced."""
    declared = np.array([s.antenna_height for s in sources] or [np.nan])
    declared = np.where(np.isfinite(declared), declared, size["default_antenna_height"])
    pole = shots.antenna_height
    missing = ~np.isfinite(pole)
    if missing.any():
        pole = np.where(missing, declared[shots.source], pole)
    measured, bubble = np.deg2rad(size["tilt_measured"]), np.deg2rad(size["tilt_bubble"])
    lean = np.where(np.isfinite(shots.tilt), measured, bubble)
    aside = pole * lean
    # Each of two axes lets the tip down by h lean^2 / 2.
    return level_term(
        "tilt",
        "Lean of the pole",
        "tilt sensor or circular bubble, common practice",
        aside**2,
        0.5 * (aside * lean) ** 2,
    )


def _gnss(
    shots: Shots, ground: Ground, receivers: Sequence[Receiver], size: Mapping[str, float]
) -> BudgetTerm:
    """Position noise: as reported, else by receiver class, else by kind of fix."""
    class_east, class_up = _by_class(shots, receivers, size)
    fix = shots.fix
    lesser = np.flatnonzero(fix != Fix.RTK_FIXED)
    if len(lesser):
        kinds = [_KIND_OF_FIX.get(code, "autonomous") for code in Fix]
        place = np.minimum(fix[lesser] - int(Fix.NOT_RECORDED), len(kinds) - 1)
        class_east[lesser] = np.array([size[f"{kind}_horizontal"] ** 2 for kind in kinds])[place]
        class_up[lesser] = np.array([size[f"{kind}_vertical"] ** 2 for kind in kinds])[place]
    # A lesser solution that calls itself good is not believed.
    doubted = lesser[fix[lesser] != Fix.NOT_RECORDED]
    east = _reported(shots.east_sd, class_east, doubted)
    north = _reported(shots.north_sd, class_east, doubted)
    up = _reported(shots.up_sd, class_up, doubted)
    middle, half = 0.5 * (east + north), 0.5 * (east - north)
    turn = 2 * ground.convergence
    along, aside = half * np.cos(turn), half * np.sin(turn)
    return BudgetTerm(
        "gnss",
        "GNSS position",
        "the receiver's own figures; else its class and base distance, or the kind of fix",
        middle + along,
        middle - along,
        aside,
        up,
    )


def _by_class(
    shots: Shots, receivers: Sequence[Receiver], size: Mapping[str, float]
) -> tuple[Floats, Floats]:
    """Variances of one horizontal axis and of the height by receiver and base distance."""
    distance = shots.base_distance
    unknown = ~np.isfinite(distance)
    if unknown.any():
        distance = np.where(unknown, size["default_base_distance"], distance)
    by_serial = {receiver.serial: receiver for receiver in receivers}
    classes = [by_serial.get(name, Receiver(name)) for name in shots.receiver.names]
    table = np.array([(r.horizontal, r.vertical, r.ppm * 1e-6) for r in [*classes, Receiver("")]])
    if (table == table[0]).all():
        level, vertical, rate = table[0]
    else:
        level, vertical, rate = table.T[:, shots.receiver.codes]
    growth = rate * distance
    return 0.5 * (level + growth) ** 2, (vertical + growth) ** 2


def _reported(sd: Floats, fallback: Floats, doubted: npt.NDArray[np.integer]) -> Floats:
    """Variance by a receiver's own figure where it gives one, not below `fallback` if doubted."""
    variance = np.where((sd > 0) & np.isfinite(sd), sd * sd, fallback)
    variance[doubted] = np.maximum(variance[doubted], fallback[doubted])
    return variance

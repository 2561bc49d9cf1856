"""Errors of the position: of the antenna, of its frame, and of the pole down to the ground."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from asfound.budget.making import Floats, SharedCause, SingleCause
from asfound.model import Fix, Ground, JobSettings, Receiver, Source

POSITION_CAUSES = (
    SingleCause(
        "gnss",
        "GNSS position",
        "the receiver's own figures; else its class and base distance, or the kind of fix",
        ("gnss east", "gnss north", "gnss both", "gnss up"),
    ),
    SingleCause(
        "correction-age",
        "Age of the correction",
        "common practice",
        ("age level", "age level", "", "age up"),
    ),
    SingleCause(
        "tilt",
        "Lean of the pole",
        "tilt sensor or circular bubble, common practice",
        ("tilt level", "tilt level", "", "tilt up"),
    ),
    SingleCause("seating", "Tip on uneven ground", "common practice", ("", "", "", "seating up")),
    SingleCause(
        "logging",
        "Moving while logging",
        "common practice",
        ("logging level", "logging level", "", ""),
    ),
)

_KIND_OF_FIX = {
    Fix.RTK_FLOAT: "float",
    Fix.NOT_RECORDED: "float",
    Fix.DIFFERENTIAL: "differential",
    Fix.PPS: "differential",
}
"""Rows of the profile by kind of solution; any other but fixed counts as autonomous."""


def variances_by_fix(size: Mapping[str, float]) -> Floats:
    """(kinds of solution, 2) of a horizontal axis and of the height [m2], in order of `Fix`."""
    kinds = [_KIND_OF_FIX.get(fix, "autonomous") for fix in Fix]
    return np.array(
        [(size[f"{kind}_horizontal"] ** 2, size[f"{kind}_vertical"] ** 2) for kind in kinds]
    )


def classes_of(names: Sequence[str], receivers: Sequence[Receiver]) -> Floats:
    """(receivers + 1, 3) horizontal and vertical size [m], and growth by the base's distance.

    By name of the receiver as rows have it; the last is of rows that name none.
    """
    declared = {receiver.serial: receiver for receiver in receivers}
    classes = [declared.get(name, Receiver(name)) for name in [*names, ""]]
    classes[-1] = Receiver("")
    return np.array([(item.horizontal, item.vertical, item.ppm * 1e-6) for item in classes])


def poles_of(sources: Sequence[Source], uploads: int, size: Mapping[str, float]) -> Floats:
    """(uploads,) antenna height where rows have none [m]: as declared, else the profile's."""
    poles = np.full(uploads, size["default_antenna_height"])
    for number, source in enumerate(sources):
        if np.isfinite(source.antenna_height):
            poles[number] = source.antenna_height
    return poles


def shared_causes(
    ground: Ground,
    sources: Sequence[Source],
    uploads: int,
    settings: JobSettings,
    size: Mapping[str, float],
) -> list[SharedCause]:
    """Errors of the position that shots share, by upload, operation, pole or all over the job."""
    none = np.array(0.0)
    causes = [
        SharedCause(
            "service",
            "Base or correction service in its frame",
            "common practice; the same for an upload",
            "upload",
            np.array(size["service_horizontal"] ** 2),
            np.array(size["service_vertical"] ** 2),
        )
    ]
    stated = np.array([operation.accuracy for operation in ground.operations])
    if (stated > 0).any():
        accuracy = np.maximum(stated, 0.0) ** 2
        causes.append(
            SharedCause(
                "operation",
                "Change of frame",
                "accuracy stated by the registry of operations",
                "operation",
                accuracy / 2,
                accuracy,
            )
        )
    vague = np.zeros(uploads)
    vague[: len(sources)] = [source.position_accuracy for source in sources]
    if (vague > 0).any():
        vague *= vague
        causes.append(
            SharedCause(
                "frame-label",
                "Frame declared only by a vague name",
                "declared with the upload",
                "upload",
                vague,
                vague,
            )
        )
    if settings.frame.geoid or any(source.frame.geoid for source in sources):
        causes.append(
            SharedCause(
                "geoid",
                "Geoid model",
                "common practice, no source",
                "job",
                none,
                np.array(size["geoid"] ** 2),
            )
        )
    causes.append(
        SharedCause(
            "antenna-height",
            "Antenna height as set",
            "common practice; the same for a receiver and upload",
            "pole",
            none,
            np.array(size["antenna_height"] ** 2),
        )
    )
    return causes

"""What a mapping leaves open, for the user to decide."""

from __future__ import annotations

from asfound.intake.mapping import OPEN, Doubt, Mapping
from asfound.intake.quantities import QUANTITIES


def open_questions(mapping: Mapping) -> tuple[Doubt, ...]:
    """Every value of a mapping that is still ``'?'``."""
    found = []
    if mapping.frame.crs == OPEN:
        found.append(
            Doubt(
                "frame",
                "The reference frame of the coordinates is not declared.",
                "Frames lie up to two metres apart.",
                "Set crs under [frame] in the mapping file, or give --frame.",
            )
        )
    if mapping.frame.height_kind == OPEN:
        found.append(
            Doubt(
                "heights",
                "It is not declared what the heights are measured from.",
                "Ellipsoidal and orthometric heights lie tens of metres apart.",
                "Set heights under [frame] in the mapping file, or give --heights.",
            )
        )
    if mapping.time_zone == OPEN:
        found.append(
            Doubt(
                "time",
                "The time zone of the times is not declared.",
                "Local times without a zone can mean any hour of the day.",
                "Set time_zone in the mapping file, or give --zone.",
            )
        )
    if mapping.kind == OPEN:
        found.append(
            Doubt(
                "kind",
                "It is not declared what the rows are.",
                "A log of positions without readings holds no shots.",
                "Set kind in the mapping file.",
            )
        )
    for name, column in mapping.columns.items():
        title = QUANTITIES[name].title
        for key, value in (
            ("column", column.column),
            ("unit", column.unit),
            ("form", column.form),
            ("hemisphere", column.hemisphere),
        ):
            if value == OPEN:
                found.append(
                    Doubt(
                        name,
                        f"The {key} of the {title} is not decided.",
                        "",
                        f"Set {key} under [columns.{name}] in the mapping file.",
                    )
                )
    return tuple(found)

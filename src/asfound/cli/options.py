"""Arguments and options that several commands take alike."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

JobArgument = Annotated[Path, typer.Argument(help="The job's folder.", show_default=False)]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for machines.")]
PlateOption = Annotated[
    str, typer.Option(help="Plate the ground goes with (NOAM, Eurasia ...) where in doubt.")
]
PoleOption = Annotated[
    str, typer.Option(help="Antenna above the pole's tip, with unit: '2 m', '6.562 ft'.")
]
ServiceEpochOption = Annotated[
    float | None,
    typer.Option(help="Fixed epoch that the service delivers; left out: the day's."),
]

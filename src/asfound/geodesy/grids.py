"""Grid files of the job: found by name in its own folders, never fetched."""

from __future__ import annotations

from pathlib import Path

from pyproj import Transformer
from pyproj.exceptions import ProjError

from asfound.errors import FrameError


def grid_path(name: str, folders: tuple[str, ...]) -> Path | None:
    """Full path of a grid file in the first folder that has it; None if none has.

    Case is ignored where no file has the exact name: grids come with names in any case.

    Raises
    ------
    FrameError
        If PROJ could not be told the path.
    """
    if not name or Path(name).name != name:
        return None
    for folder in folders:
        root = Path(folder)
        exact = root / name
        if exact.is_file():
            return _usable(exact.resolve())
        if root.is_dir():
            for entry in sorted(root.iterdir()):
                if entry.name.casefold() == name.casefold() and entry.is_file():
                    return _usable(entry.resolve())
    return None


def check_runs(definition: str, names: tuple[str, ...], *, where: str = "") -> None:
    """See to it that PROJ can read the grid files of a pipeline.

    Raises
    ------
    FrameError
        If it can't.
    """
    try:
        Transformer.from_pipeline(definition)
    except ProjError as error:
        raise FrameError(
            f"PROJ can't read {', '.join(names)} as the grid that is needed.",
            where=where,
            remedy="Use the file as PROJ's data collection has it (GeoTIFF, GTX or NTv2), under "
            "its own name.",
        ) from error


def _usable(path: Path) -> Path:
    # PROJ separates grid names by commas and quotes them by double quotes.
    for bad in (",", '"'):
        if bad in str(path):
            raise FrameError(
                f"the path {path} has a {bad} in it, which PROJ can't take in a grid's path.",
                where=path.name,
                remedy="Rename that folder or file.",
            )
    return path

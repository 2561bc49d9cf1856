"""What really lies in Osier Lane, kept apart from everything that processing reads."""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.demo.blunders import SHUFFLED_UPLOAD, Blunders
from asfound.demo.logbook import Logbook
from asfound.demo.pages import Page
from asfound.demo.street import Street, TrueLine
from asfound.demo.sweeps import TrueSweep
from asfound.demo.walk import Walk

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Truth:
    """The truth of n generated shots, in the order in which reading the uploads gives them.

    Parameters
    ----------
    seed : int
    source : (n,) int64
        Index of the upload.
    row : (n,) int64
        Data row in it, from 1.
    easting, northing, height : (n,) float64
        Nearest point (in plan) of the true line to where the pole stood: the conductor's centre,
        in the job's CRS [m]; the mark itself at control checks.
    tip_easting, tip_northing, ground_height : (n,) float64
        Where the pole stood and the ground there [m].
    line : (n,) object
        Name of the true line, empty at control checks.
    cause : (n,) object
        Cause of the blunder, empty where there is none.
    lines : tuple of TrueLine
    shuffled : tuple of int
        Uploads whose rows are in no order.
    spoiled : tuple of (int, int, str)
        Upload, data row and kind of each row that is no shot.
    sweeps : tuple of TrueSweep
    files : tuple of str
        Of all uploads.
    misread : tuple of (int, str, str)
        Uploads whose frame is declared wrongly: index, frame as declared, true frame.
    """

    seed: int
    source: npt.NDArray[np.int64]
    row: npt.NDArray[np.int64]
    easting: Floats
    northing: Floats
    height: Floats
    tip_easting: Floats
    tip_northing: Floats
    ground_height: Floats
    line: npt.NDArray[np.object_]
    cause: npt.NDArray[np.object_]
    lines: tuple[TrueLine, ...]
    shuffled: tuple[int, ...]
    spoiled: tuple[tuple[int, int, str], ...]
    sweeps: tuple[TrueSweep, ...]
    files: tuple[str, ...]
    misread: tuple[tuple[int, str, str], ...]

    def __len__(self) -> int:
        return len(self.row)


@dataclass(frozen=True, eq=False)
class Part:
    """A walk and all that came of it."""

    walk: Walk
    log: Logbook
    blunders: Blunders
    pages: tuple[Page, ...]


def gather_truth(
    seed: int, street: Street, parts: tuple[Part, ...], sweeps: tuple[TrueSweep, ...]
) -> Truth:
    """The truth in the order of the pages of all parts."""
    names = np.array([*(line.name for line in street.lines), ""], object)
    orders = [np.concatenate([page.shots for page in part.pages]) for part in parts]
    pages = [page for part in parts for page in part.pages]

    def logged(name: str) -> Floats:
        columns = [
            getattr(part.log, name)[order] for part, order in zip(parts, orders, strict=True)
        ]
        return np.concatenate(columns)

    return Truth(
        seed=seed,
        source=np.concatenate([np.full(len(page.row), page.source) for page in pages]),
        row=np.concatenate([page.row for page in pages]),
        easting=logged("true_easting"),
        northing=logged("true_northing"),
        height=logged("true_height"),
        tip_easting=logged("tip_easting"),
        tip_northing=logged("tip_northing"),
        ground_height=logged("ground_height"),
        line=np.concatenate(
            [names[part.walk.line[order]] for part, order in zip(parts, orders, strict=True)]
        ),
        cause=np.concatenate(
            [part.blunders.cause[order] for part, order in zip(parts, orders, strict=True)]
        ),
        lines=street.lines,
        shuffled=(SHUFFLED_UPLOAD,),
        spoiled=tuple(
            (page.source, row, kind) for page in pages for row, kind in page.spoiled.items()
        ),
        sweeps=sweeps,
        files=tuple(page.upload.file for page in pages),
        misread=tuple(
            (page.source, page.upload.declared, page.upload.frame)
            for page in pages
            if page.upload.declared
        ),
    )


def truth_json(truth: Truth) -> bytes:
    """The truth for people and other programs: one JSON object, columns as arrays."""

    def metres(values: Floats) -> list[float]:
        return [float(v) for v in np.round(values, 4)]

    tree = {
        "invented": True,
        "seed": truth.seed,
        "units": "metres in the job's CRS, ellipsoidal heights",
        "shots": {
            "file": [truth.files[k] for k in truth.source],
            "row": truth.row.tolist(),
            "easting": metres(truth.easting),
            "northing": metres(truth.northing),
            "height": metres(truth.height),
            "tip_easting": metres(truth.tip_easting),
            "tip_northing": metres(truth.tip_northing),
            "ground_height": metres(truth.ground_height),
            "line": truth.line.tolist(),
            "cause": truth.cause.tolist(),
        },
        "lines": [
            {
                "name": line.name,
                "utility": line.utility.word,
                "material": line.material,
                "outside_diameter": line.outside_diameter,
                "branch_of": line.branch_of,
                "easting": metres(line.path.easting),
                "northing": metres(line.path.northing),
                "height": metres(line.path.height),
            }
            for line in truth.lines
        ],
        "sweeps": [
            {
                "name": sweep.name,
                "line": sweep.line,
                "position": metres(sweep.position),
                "depth": metres(sweep.depth),
                "current": [float(v) for v in sweep.current],
                "easting": metres(sweep.easting),
                "northing": metres(sweep.northing),
                "height": metres(sweep.height),
            }
            for sweep in truth.sweeps
        ],
        "frames_declared_wrongly": [
            {"file": truth.files[k], "declared": declared, "true": true}
            for k, declared, true in truth.misread
        ],
        "shuffled": [truth.files[k] for k in truth.shuffled],
        "rows_that_are_no_shots": [
            {"file": truth.files[k], "row": row, "kind": kind} for k, row, kind in truth.spoiled
        ],
    }
    return (json.dumps(tree, indent=1) + "\n").encode()

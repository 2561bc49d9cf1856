"""The demonstration job: raw files, what their user would declare, and the truth apart.

>>> demo = generate(seed=7)
>>> 400 <= len(demo.truth) <= 600
True
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np
import numpy.typing as npt

from asfound.demo import _frames
from asfound.demo.blunders import draw_blunders, no_blunders
from asfound.demo.digs import digs_toml
from asfound.demo.layouts import write_page
from asfound.demo.logbook import keep_log, true_depths
from asfound.demo.pages import page_shots, write_pages
from asfound.demo.street import JOB_CRS, Street, TrueLine, build_street
from asfound.demo.survey import (
    AGAIN_LENGTH,
    AGAIN_LINE,
    CONTROL,
    LOCAL_ZONE,
    RECEIVER_1,
    RECEIVER_2,
    UploadPlan,
    afternoon,
)
from asfound.demo.sweeps import SWEEPS_FILE, make_sweeps
from asfound.demo.truth import Part, Truth, gather_truth, truth_json
from asfound.demo.walk import control_places, take_walk
from asfound.model import (
    ControlPoint,
    Frame,
    JobSettings,
    NominalSize,
    Receiver,
    Shots,
    Source,
    Utility,
)

_CONTROL_SD = (0.006, 0.010)
_WORK_AREA_MARGIN = 25.0
_SWEEP_HINTS: dict[str, object] = {
    "frame": "NAD83(2011)",
    "heights": "ellipsoidal",
    "position_of": "ground",
    "receiver": RECEIVER_1.serial,
}


@dataclass(frozen=True)
class DemoUpload:
    """One raw file and what its user declares when adding it.

    Parameters
    ----------
    file : str
        Name in `DemoJob.files`.
    hints : dict
        By the names of the options of the command that adds a file.
    track : str
        Name of the NMEA log that belongs to it, empty for none.
    kind : str
        ``'shots'`` or ``'sweeps'``.
    """

    file: str
    hints: dict[str, object] = field(default_factory=dict)
    track: str = ""
    kind: str = "shots"


@dataclass(frozen=True, eq=False)
class DemoJob:
    """An invented job in memory; nothing here touches a disk.

    Parameters
    ----------
    settings : JobSettings
    files : dict of str to bytes
        Raw files by name.
    uploads : tuple of DemoUpload
        In the order of adding.
    truth : Truth
    digs : bytes
        The job's `digs.toml`: what is planned to be dug, and one exposure.
    """

    settings: JobSettings
    files: dict[str, bytes]
    uploads: tuple[DemoUpload, ...]
    truth: Truth
    digs: bytes = b""

    def truth_files(self) -> dict[str, bytes]:
        """The truth as files; processing never reads them."""
        return {"truth.json": truth_json(self.truth)}


@dataclass(frozen=True, eq=False)
class _Survey:
    parts: tuple[Part, ...]
    settings: JobSettings
    truth: Truth
    sweeps: bytes
    digs: bytes


def _survey(seed: int) -> _Survey:
    """Everything up to the numbers that get written down.

    Each stage has its own stream of random numbers, so that a change in one leaves the draws of
    the others as they were.
    """
    streams = [np.random.default_rng([seed, stage]) for stage in range(8)]
    street = build_street(streams[0])
    walk = take_walk(street, streams[1])
    utility = np.array([*(int(line.utility) for line in street.lines), 0])[walk.line]
    depth = true_depths(street, walk)
    blunders = draw_blunders(walk, utility, depth, streams[2])
    log = keep_log(street, walk, blunders, streams[3])
    pages = write_pages(walk, log, blunders, streams[4])
    sweeps, true_sweeps = make_sweeps(street, walk, blunders, depth, streams[6])
    morning = Part(walk, log, blunders, pages)
    parts = (morning, _afternoon(street, morning, streams[7]))
    return _Survey(
        parts,
        _settings(street, streams[5]),
        gather_truth(seed, street, parts, true_sweeps),
        sweeps,
        digs_toml(street),
    )


def _afternoon(street: Street, before: Part, rng: np.random.Generator) -> Part:
    """A stretch walked again and a check-out, both without blunders in the shots themselves."""
    walk = take_walk(street, rng, afternoon(_clear_stretch(street, before)))
    utility = np.array([*(int(line.utility) for line in street.lines), 0])[walk.line]
    blunders = no_blunders(walk, utility)
    log = keep_log(street, walk, blunders, rng)
    pages = write_pages(walk, log, blunders, rng, first=len(before.pages))
    return Part(walk, log, blunders, pages)


def _clear_stretch(street: Street, before: Part) -> float:
    """Station from which the line can be walked again without coming by a strong neighbour."""
    walk = before.walk
    line = [line.name for line in street.lines].index(AGAIN_LINE)
    mine = walk.line == line
    first = mine & (walk.source == walk.source[mine].min())
    near = walk.station[mine & (before.blunders.neighbour_share != 0)]
    starts = np.arange(6.0, walk.station[first].max() - AGAIN_LENGTH - 6.0, 3.0)
    free = [
        start
        for start in starts.tolist()
        if not ((near > start - 6.0) & (near < start + AGAIN_LENGTH + 6.0)).any()
    ]
    return float(free[len(free) // 2])


def generate(seed: int = 7) -> DemoJob:
    """The demonstration job of a seed, as raw files.

    Parameters
    ----------
    seed : int
        Any; the same seed gives the same bytes.

    Returns
    -------
    DemoJob
    """
    made = _survey(seed)
    files = {
        page.upload.file: write_page(page, part.walk) for part in made.parts for page in part.pages
    }
    files[SWEEPS_FILE] = made.sweeps
    plans = [page.upload for part in made.parts for page in part.pages]
    uploads = [DemoUpload(upload.file, _hints(upload)) for upload in plans]
    uploads.append(DemoUpload(SWEEPS_FILE, _SWEEP_HINTS, kind="sweeps"))
    return DemoJob(made.settings, files, tuple(uploads), made.truth, made.digs)


def simulate(seed: int) -> tuple[Shots, tuple[Source, ...], JobSettings, Truth]:
    """The same job without writing and reading text, for calibration over many seeds.

    Returns
    -------
    shots : Shots
        As reading the raw files gives them.
    sources : tuple of Source
        Hashes and sizes are left empty.
    settings : JobSettings
    truth : Truth
        Row by row that of `shots`.
    """
    made = _survey(seed)
    shots = Shots.join([page_shots(page, part.walk) for part in made.parts for page in part.pages])
    sources = tuple(
        Source(
            tag=chr(65 + page.source),
            file=page.upload.file,
            sha256="",
            size=0,
            rows=len(page.row) + len(page.spoiled),
            frame=Frame(_crs(page.upload)),
            position_of="antenna",
            receiver=page.upload.receiver.serial,
            antenna_height=(
                page.upload.receiver.antenna_height
                if page.upload.layout == "sexagesimal"
                else np.nan
            ),
        )
        for part in made.parts
        for page in part.pages
    )
    return shots, sources, made.settings, made.truth


def write_demo(folder: Path, seed: int = 7) -> DemoJob:
    """Write raw files to ``incoming/`` and the truth to ``truth/`` of a folder."""
    demo = generate(seed)
    for name, files in (("incoming", demo.files), ("truth", demo.truth_files())):
        (folder / name).mkdir(parents=True, exist_ok=True)
        for file, data in files.items():
            (folder / name / file).write_bytes(data)
    return demo


def _crs(upload: UploadPlan) -> str:
    if upload.layout == "grid":
        return JOB_CRS
    return _frames.FRAME_CODES[upload.declared or upload.frame]


def _hints(upload: UploadPlan) -> dict[str, object]:
    hints: dict[str, object] = {
        "frame": JOB_CRS if upload.layout == "grid" else upload.declared or upload.frame,
        "heights": "ellipsoidal",
        "position_of": "antenna",
        "receiver": upload.receiver.serial,
        "received": date(2026, 11, 20),
    }
    if upload.layout == "sexagesimal":
        hints["zone"] = LOCAL_ZONE
        hints["antenna_height"] = f"{upload.receiver.antenna_height} m"
    return hints


def _settings(street: Street, rng: np.random.Generator) -> JobSettings:
    east, north = control_places(street)
    up = street.ground(east, north)
    error = rng.standard_normal((3, len(CONTROL)))
    control = tuple(
        ControlPoint(
            name=CONTROL[k][0],
            easting=round(float(east[k] + _CONTROL_SD[0] * error[0, k]), 4),
            northing=round(float(north[k] + _CONTROL_SD[0] * error[1, k]), 4),
            height=round(float(up[k] + _CONTROL_SD[1] * error[2, k]), 4),
            horizontal_sd=_CONTROL_SD[0],
            vertical_sd=_CONTROL_SD[1],
        )
        for k in range(len(CONTROL))
    )
    sizes: dict[Utility, TrueLine] = {}
    for line in street.lines:
        sizes.setdefault(line.utility, line)
    return JobSettings(
        name="Osier Lane, Quillmere (invented)",
        client="Village of Quillmere (invented)",
        place="Osier Lane, Quillmere; an invented village in the Kansas North zone",
        crew="Crew 2",
        notice="Q-2026-1117",
        purpose="Design of a storm drain; demonstration data",
        invented=True,
        frame=Frame(JOB_CRS, epoch=2010.0),
        length_unit="ftUS",
        work_area=_work_area(street),
        control=control,
        receivers=tuple(
            Receiver(kind.serial, kind.horizontal, kind.vertical, kind.ppm, date(2026, 9, 1 + k))
            for k, kind in enumerate((RECEIVER_1, RECEIVER_2))
        ),
        sizes=tuple(
            NominalSize(line.outside_diameter, utility, basis=line.material)
            for utility, line in sizes.items()
        ),
    )


def _work_area(street: Street) -> npt.NDArray[np.float64]:
    """A ring round all lines: the box of their coordinates with a margin, [deg]."""
    east = np.concatenate([line.path.easting for line in street.lines])
    north = np.concatenate([line.path.northing for line in street.lines])
    low_east, high_east = east.min() - _WORK_AREA_MARGIN, east.max() + _WORK_AREA_MARGIN
    low_north, high_north = north.min() - _WORK_AREA_MARGIN, north.max() + _WORK_AREA_MARGIN
    longitude, latitude = _frames.to_geographic(
        np.array([low_east, high_east, high_east, low_east]),
        np.array([low_north, low_north, high_north, high_north]),
    )
    ring: npt.NDArray[np.float64] = np.column_stack([longitude, latitude])
    return ring.round(7)

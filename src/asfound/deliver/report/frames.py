"""Which frame every upload was in, and how far that frame lies from the job's: a small figure."""

from __future__ import annotations

from typing import Any

import numpy as np

from asfound.deliver.delivery import Delivery
from asfound.deliver.report.facts import clean
from asfound.deliver.report.frame_figure import frames_svg
from asfound.errors import FrameError
from asfound.geodesy import FrameDifference, compare_frames, frame_of, preset_of, resolve_frame
from asfound.units import lengths_in


def frames_figure(delivery: Delivery, width: float) -> dict[str, Any]:
    """Sentences about the uploads' frames, and the figure where one of them is not the job's.

    Returns
    -------
    dict
        ``rows``: upload, its frame, what would happen if its coordinates were taken for the
        job's; ``svg``: markup, empty where all uploads are in the job's frame.
    """
    results = delivery.results
    own = _name(results.settings.frame.crs)
    rows: list[list[str]] = []
    pairs: dict[tuple[str, str, float], FrameDifference] = {}
    for number, source in enumerate(results.intake.sources):
        name = _name(source.frame.crs)
        if name == own:
            words = "The job's own frame: nothing moved."
        else:
            pair = _difference(delivery, number, name, own)
            words = _words(delivery, pair, own)
            if pair is not None and np.isfinite(pair.horizontal):
                pairs.setdefault((pair.source, pair.target, round(pair.epoch, 1)), pair)
        rows.append([source.tag, clean(name), clean(words)])
    svg = ""
    if pairs:
        svg = frames_svg(list(pairs.values()), delivery.about.unit, width, plot=38.0)
    return {"rows": rows, "svg": svg, "own": clean(own)}


def _name(crs: str) -> str:
    """Name of the frame that coordinates of a CRS stand on."""
    try:
        name = frame_of(resolve_frame(crs)).name
    except FrameError:
        return crs
    preset = preset_of(name)
    return preset.name if preset else name


def _difference(delivery: Delivery, number: int, name: str, own: str) -> FrameDifference | None:
    results = delivery.results
    ground = results.ground
    mine = (results.intake.shots.source == number) & np.isfinite(ground.longitude)
    if not mine.any():
        mine = np.isfinite(ground.longitude)
    if not mine.any():
        return None
    declared = results.intake.sources[number].frame.epoch
    epochs = ground.epoch[mine & np.isfinite(ground.epoch)]
    epoch = declared if declared is not None else float(np.median(epochs)) if len(epochs) else None
    if epoch is None:
        return None
    try:
        (pair,) = compare_frames(
            float(np.median(ground.longitude[mine])),
            float(np.median(ground.latitude[mine])),
            epoch,
            (name, own),
            grids=results.settings.grids,
        )
    except FrameError:
        return None
    return pair


def _words(delivery: Delivery, pair: FrameDifference | None, own: str) -> str:
    if pair is None or not np.isfinite(pair.horizontal):
        return f"Transformed to {own}; how far the two lie apart here can't be said."
    return lengths_in(
        f"Transformed to {own}. Taken for it as they were, shots would lie {pair.horizontal:.3f} m "
        f"off, bearing {np.degrees(pair.bearing) % 360.0:.0f}°, and {abs(pair.up):.3f} m "
        f"{'low' if pair.up > 0 else 'high'}.",
        delivery.about.unit,
    )

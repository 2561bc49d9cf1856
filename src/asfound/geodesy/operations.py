"""Choosing the coordinate operation between two frames, with a guard at every known trap.

PROJ always answers; whether its answer is centimetre data is for the caller to find out. Here an
operation is taken only if it is in the registry, states its accuracy, honours the motion of
plates where a dynamic frame meets a plate-fixed one, and has its grids at hand. Otherwise a
`FrameError` says what is missing. The choice depends on the frames, the place and the job's
`grids/` folder only: PROJ's network access is switched off for the process.

Thread-safe: no PROJ search path is touched; grid files go into pipelines by full path.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from pyproj import CRS, Transformer

from asfound.errors import FrameError
from asfound.geodesy import _pipelines
from asfound.geodesy._registry import Entry, latitude_first, operations_between
from asfound.geodesy.frames import ensemble_accuracy, frame_of, is_dynamic, resolve_frame
from asfound.geodesy.grids import check_runs, grid_path
from asfound.geodesy.places import Place, area_in_words, holds

# Worse than this [m], an operation is not for RTK data unless the upload says so itself.
COARSE_ACCURACY = 0.5
# An operation without its grid is only taken if the grid would gain no more than this [m].
_GRID_GAIN = 0.01
# Frames to go through where the registry has no direct operation; the first of equals wins.
_HUBS = (
    "ITRF2020",
    "ITRF2014",
    "ITRF2008",
    "ITRF2005",
    "ITRF2000",
    "ITRF97",
    "ITRF96",
    "ETRF2000",
    "ETRF2014",
    "ETRF2020",
    "ETRS89",
    "NAD83(2011)",
    "NAD83(CSRS)v7",
    "GDA2020",
)
# Frames that are by definition aligned, at every epoch. The registry has these operations as
# valid at one epoch only, so PROJ leaves them out. Source: EPSG registry, remarks of the
# operations named.
_ALIGNED = {
    frozenset(("ITRF2020", "IGS20")): "ITRF2020 to IGS20 (1), EPSG:10179",
    frozenset(("ITRF2014", "IGS14")): "ITRF2014 to IGS14 (1), EPSG:9032",
    frozenset(("ITRF2014", "IGb14")): "ITRF2014 to IGb14 (1), EPSG:9381",
    frozenset(("ITRF2008", "IGS08")): "ITRF2008 to IGS08 (1), EPSG:9031",
    frozenset(("ITRF96", "ITRF97")): "ITRF96 to ITRF97 (1), EPSG:9027",
}
_SILENT_STEPS = ("axis order change", "Conversion from", "Null geographic offset")


@dataclass(frozen=True)
class FrameChange:
    """An operation between the 3D geographic CRSs of two frames.

    Parameters
    ----------
    source, target : str
        Names of the frames.
    steps : tuple of str
        The registry's names of the operations, in order; empty if the frames are the same.
    accuracy : float
        Stated accuracies of all steps in quadrature [m].
    definition : str
        PROJ pipeline: longitude, latitude [CRS unit], ellipsoidal height [m], epoch [a] in and
        out, longitude first.
    grids : tuple of str
        Names of grid files used.
    needs_epoch : bool
        Whether coordinates without an epoch have no meaning here.
    ensemble : float
        How far the frames behind an ambiguous name (WGS 84) lie apart [m]; 0 for none.
    """

    source: str
    target: str
    steps: tuple[str, ...]
    accuracy: float
    definition: str
    grids: tuple[str, ...]
    needs_epoch: bool
    ensemble: float = 0.0

    @property
    def name(self) -> str:
        return " + ".join(self.steps) if self.steps else "no change of frame"

    @property
    def horizontal_only(self) -> bool:
        """Whether heights pass through unchanged, whatever ellipsoid the target has."""
        return "hgridshift" in self.definition or "v_3" in self.definition

    def transformer(self) -> Transformer:
        """The operation, ready to run."""
        return Transformer.from_pipeline(self.definition)


@dataclass(frozen=True)
class _Refusal:
    """Why there is no usable operation between two frames."""

    reason: str
    remedy: str = ""
    rank: int = 0  # the most telling refusal of several is shown


def choose_operation(
    source: CRS,
    target: CRS,
    place: Place,
    *,
    grids: tuple[str, ...] = (),
    position_accuracy: float = 0.0,
    where: str = "",
) -> FrameChange:
    """The operation from one frame to another at a place.

    Parameters
    ----------
    source, target : CRS
        Any with a geodetic frame beneath; only their frames matter here.
    place : Place
        Where the data is.
    grids : tuple of str
        Folders with grid files.
    position_accuracy : float
        What the upload says of its own label [m]: a coarse operation is let through only if
        this carries it into the error budget.
    where : str
        What to name in errors.

    Raises
    ------
    FrameError
        If there is no operation of stated accuracy, a grid file is missing, plate motion would
        be ignored, or a frame is an ensemble too wide for the data.
    """
    start, end = frame_of(source, where=where), frame_of(target, where=where)
    found = _search(start.to_wkt(), end.to_wkt(), place, grids)
    if isinstance(found, _Refusal):
        raise FrameError(
            f"no coordinate operation that can be trusted leads from {start.name} to {end.name} "
            f"at {place}: {found.reason}",
            where=where,
            remedy=found.remedy,
        )
    coarse = max(found.accuracy, found.ensemble)
    if coarse > COARSE_ACCURACY and position_accuracy < coarse:
        raise FrameError(_coarse_words(found, start, end), where=where, remedy=_remedy(coarse))
    return found


def _coarse_words(found: FrameChange, start: CRS, end: CRS) -> str:
    if found.ensemble > COARSE_ACCURACY:
        loose = start if ensemble_accuracy(start) > COARSE_ACCURACY else end
        return (
            f"'{loose.name}' names a family of frames {found.ensemble:g} m apart, not one frame, "
            f"so from {start.name} to {end.name} coordinates would stay as they are, and be up to "
            f"{found.ensemble:g} m wrong."
        )
    return (
        f"from {start.name} to {end.name} the registry only has '{found.name}', good to "
        f"{found.accuracy:.2g} m."
    )


def _remedy(accuracy: float) -> str:
    return (
        "Declare the realisation that the correction service (or the job) really is in, such as "
        "ITRF2020, WGS 84 (G2296), NAD83(2011) or ETRF2000; or carry it on purpose: "
        f"position_accuracy = {math.ceil(accuracy * 10.0) / 10.0:g} (metres)."
    )


@lru_cache(maxsize=512)
def _search(
    source_wkt: str, target_wkt: str, place: Place, grids: tuple[str, ...]
) -> FrameChange | _Refusal:
    source, target = CRS.from_wkt(source_wkt), CRS.from_wkt(target_wkt)
    direct = _direct(source, target, place, grids)
    if isinstance(direct, FrameChange) or direct.rank >= 2:
        return direct
    best: FrameChange | None = None
    refusals = [direct]
    for name in _HUBS:
        hub = resolve_frame(name)
        if hub.name in (source.name, target.name):
            continue
        first = _direct(source, hub, place, grids)
        if isinstance(first, _Refusal):
            continue
        second = _direct(hub, target, place, grids)
        if isinstance(second, _Refusal):
            refusals.append(second)
            continue
        candidate = _chain(first, second)
        if best is None or candidate.accuracy < best.accuracy:
            best = candidate
    if best is not None:
        return best
    return max(refusals, key=lambda refusal: refusal.rank)


def _chain(first: FrameChange, second: FrameChange) -> FrameChange:
    return FrameChange(
        source=first.source,
        target=second.target,
        steps=first.steps + second.steps,
        accuracy=math.hypot(first.accuracy, second.accuracy),
        definition=_pipelines.join([first.definition, second.definition]),
        grids=first.grids + second.grids,
        needs_epoch=first.needs_epoch or second.needs_epoch,
        ensemble=max(first.ensemble, second.ensemble),
    )


@lru_cache(maxsize=2048)
def _direct(
    source: CRS, target: CRS, place: Place, grids: tuple[str, ...]
) -> FrameChange | _Refusal:
    """PROJ's best operation between two 3D geographic CRSs, or why it is refused."""
    for crs in (source, target):
        if not holds(crs.area_of_use, place):
            return _Refusal(f"{crs.name} is meant for {area_in_words(crs)}.", rank=1)
    ensemble = max(ensemble_accuracy(source), ensemble_accuracy(target))
    ensemble = ensemble if ensemble > COARSE_ACCURACY else 0.0
    if _same_frame(source, target):
        return FrameChange(source.name, target.name, (), 0.0, "+proj=noop", (), False, ensemble)
    aligned = _ALIGNED.get(frozenset((source.name, target.name)))
    if aligned is not None:
        return FrameChange(source.name, target.name, (aligned,), 0.0, "+proj=noop", (), False)
    candidates, missing = _candidates(source, target, place, grids)
    if missing and not any(c.accuracy <= missing[0][0] + _GRID_GAIN for c in candidates):
        _, name, files = missing[0]
        names = ", ".join(files)
        several = len(files) > 1
        return _Refusal(
            f"'{name}' needs the grid file{'s' if several else ''} {names}, which "
            f"{'are' if several else 'is'} not here.",
            f"Get {'them' if several else 'it'} from PROJ's data collection or the national "
            f"survey and put {'them' if several else 'it'} into the job's grids/ folder.",
            rank=3,
        )
    if not candidates:
        return _Refusal(
            "the registry has none of known accuracy.",
            f"Use a correction service that delivers {target.name} and declare that frame; or "
            f"give the job a CRS on {source.name}. An accuracy carried with the upload does "
            "not help: there is nothing to compute by.",
        )
    chosen = candidates[0]
    if chosen.ensemble and not ensemble:
        return _Refusal(
            f"the registry only has '{chosen.name}', by way of 'WGS 84', a name for frames "
            f"{chosen.ensemble:g} m apart.",
            "Give the job (or the upload) a realisation of its frame that the registry ties to "
            "ITRF, such as NAD83(CSRS)v7 instead of NAD83(CSRS).",
            rank=1,
        )
    if is_dynamic(source) != is_dynamic(target) and not chosen.needs_epoch and not ensemble:
        moving, fixed = (source, target) if is_dynamic(source) else (target, source)
        return _Refusal(
            f"'{chosen.name}' leaves out how far the plate has moved in {moving.name} since the "
            f"epoch that {fixed.name} is fixed to.",
            f"Use a correction service that delivers {fixed.name} and declare that frame.",
            rank=2,
        )
    return chosen


def _candidates(
    source: CRS, target: CRS, place: Place, grids: tuple[str, ...]
) -> tuple[list[FrameChange], list[tuple[float, str, tuple[str, ...]]]]:
    """Operations that can run, and those that lack grids (accuracy, name, file names)."""
    runnable, lacking = operations_between(source, target, place)
    usable: list[tuple[bool, FrameChange]] = []
    missing: list[tuple[float, str, tuple[str, ...]]] = []
    for operation in lacking:
        names = tuple(grid.short_name for grid in operation.grids)
        paths = {name: grid_path(name, grids) for name in names}
        if any(path is None for path in paths.values()):
            missing.append((operation.accuracy, " + ".join(_telling(operation.name)), names))
            continue
        definition = _from_operation(operation, source, target, paths)
        check_runs(definition, names)
        usable.append(
            (True, _frame_change(source, target, definition, operation.accuracy, (operation,)))
        )
    for transformer in runnable:
        parts = tuple(transformer.operations or ())
        change = _frame_change(
            source,
            target,
            transformer.definition,
            transformer.accuracy,
            parts,
            transformer.description,
        )
        usable.append((False, change))
    # PROJ's own order is kept among equals; what the job's own grids make possible comes first.
    usable.sort(key=lambda pair: 0 if pair[0] else 1)
    changes = [change for _, change in usable]
    if usable and usable[0][0]:
        changes.sort(key=lambda change: change.accuracy)
    return changes, sorted(missing, key=lambda entry: entry[0])


def _from_operation(
    operation: Entry, source: CRS, target: CRS, paths: dict[str, Path | None]
) -> str:
    """Pipeline with longitude first of an operation that PROJ could not set up by itself."""
    swap = "+proj=axisswap +order=2,1"
    start = [swap] if latitude_first(source) else []
    end = [swap] if latitude_first(target) else []
    body = _pipelines.with_grid_paths(
        operation.to_proj4(), {name: str(path) for name, path in paths.items()}
    )
    return _pipelines.join([*start, body, *end])


def _frame_change(
    source: CRS,
    target: CRS,
    definition: str,
    accuracy: float,
    operations: tuple[Entry, ...],
    description: str = "",
) -> FrameChange:
    telling = _telling(" + ".join(o.name for o in operations) or description)
    through_wgs84 = any(" WGS 84 (" in n and " WGS 84 (G" not in n for n in telling)
    ensemble = max(ensemble_accuracy(source), ensemble_accuracy(target))
    if through_wgs84:
        ensemble = max(ensemble, ensemble_accuracy(CRS.from_epsg(4979)))
    return FrameChange(
        source=source.name,
        target=target.name,
        steps=telling,
        accuracy=accuracy,
        definition=definition,
        grids=tuple(grid.short_name for operation in operations for grid in operation.grids),
        needs_epoch=_pipelines.needs_time(definition),
        ensemble=ensemble if ensemble > COARSE_ACCURACY else 0.0,
    )


def _telling(name: str) -> tuple[str, ...]:
    """Steps of an operation's name without those that only turn axes or change notation."""
    steps = tuple(name.split(" + "))
    return tuple(s for s in steps if not s.startswith(_SILENT_STEPS)) or steps


def _same_frame(source: CRS, target: CRS) -> bool:
    if source.equals(target, ignore_axis_order=True):
        return True
    same_units = [a.unit_name for a in source.axis_info] == [a.unit_name for a in target.axis_info]
    return same_units and source.datum is not None and source.datum == target.datum

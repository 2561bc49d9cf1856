"""Stakeout lists as files: `stakeout/NAME.*`, with a page of words beside each."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

from asfound.deliver.delivery import Delivery
from asfound.model import STAKEOUT_FORMATS, Results, ServiceTargets, StakeoutList
from asfound.stakeout import (
    about_list,
    csv_list,
    geojson_list,
    gpx_list,
    horizontal_95,
    kml_list,
    landxml_list,
    list_unit,
)
from asfound.units import length_unit, lengths_in

FOLDER = "stakeout"
_WRITERS: dict[str, Callable[[ServiceTargets, str, date], bytes]] = {
    "gpx": lambda targets, title, day: gpx_list(targets, title),
    "kml": lambda targets, title, day: kml_list(targets, title),
    "geojson": lambda targets, title, day: geojson_list(targets, title),
    "landxml": landxml_list,
}
_ENDINGS = {"landxml": "xml"}


def stakeout_files(delivery: Delivery) -> Iterator[tuple[str, bytes]]:
    """Files of every list that could be made."""
    for made in delivery.results.stakeouts:
        yield from list_files(delivery.results, made)


def list_endings() -> tuple[str, ...]:
    """Endings of all files that a list can have."""
    return ("txt", *(_ENDINGS.get(form, form) for form in STAKEOUT_FORMATS))


def list_files(results: Results, made: StakeoutList) -> Iterator[tuple[str, bytes]]:
    """Files of one list; none if it could not be made."""
    targets, request = made.targets, made.request
    if targets is None:
        return
    title = f"{results.settings.name}: {request.name}"
    stem = f"{FOLDER}/{request.name}"
    yield f"{stem}.txt", ("\n".join(list_words(results, made)) + "\n").encode()
    for form in request.formats:
        if form == "csv":
            data = csv_list(
                targets, columns=request.columns or None, unit=list_unit(results, request)
            )
        else:
            data = _WRITERS[form](targets, title, request.day)
        yield f"{stem}.{_ENDINGS.get(form, form)}", data


def target_count(count: int) -> str:
    """So many targets, in words."""
    return f"{count} target{'' if count == 1 else 's'}"


def list_words(results: Results, made: StakeoutList) -> list[str]:
    """What must be known before a list is walked, in sentences."""
    targets, request = made.targets, made.request
    if targets is None:
        return [made.reason, made.remedy]
    unit = length_unit(list_unit(results, request))
    lines = [f"Stakeout list {request.name} of {results.settings.name}, for {request.day}."]
    if results.settings.invented:
        lines.append("Invented demonstration data: no real place.")
    lines.append(
        f"{target_count(len(targets))}, {made.distance / unit.metres:.0f} {unit.symbol} on foot, "
        f"starting {made.start}."
    )
    return [*lines, *(lengths_in(words, unit) for words in about_list(targets))]


def list_record(made: StakeoutList) -> dict[str, Any]:
    """One list for programs: metres and degrees, x and y in the service's own unit."""
    request, targets = made.request, made.targets
    record: dict[str, Any] = {
        "name": request.name,
        "day": request.day.isoformat(),
        "service": request.service.crs,
        "reason": made.reason,
        "remedy": made.remedy,
    }
    if targets is None:
        return {**record, "targets": []}
    own = targets.targets
    radius = horizontal_95(targets.covariance)
    return {
        **record,
        "frame": targets.crs,
        "epoch": _known(targets.epoch, 3),
        "xy_unit": targets.unit,
        "height_reference": targets.height_reference,
        "operation": targets.operation,
        "operation_accuracy_m": _known(targets.accuracy, 4),
        "start": made.start,
        "walking_distance_m": _known(made.distance, 2),
        "not_modelled": list(targets.unmodelled),
        "targets": [
            {
                "order": k + 1,
                "name": own.name[k],
                "kind": own.kind[k],
                "line": own.line[k],
                "station_m": _known(own.station[k], 3),
                "x": _known(targets.x[k], 4 if targets.projected else 9),
                "y": _known(targets.y[k], 4 if targets.projected else 9),
                "longitude_deg": _known(targets.longitude[k], 9),
                "latitude_deg": _known(targets.latitude[k], 9),
                "height_m": _known(targets.height[k], 4),
                "depth_m": _known(own.depth[k], 3),
                "horizontal_95_m": _known(radius[k], 4),
            }
            for k in range(len(targets))
        ],
    }


def _known(value: float, decimals: int) -> float | None:
    number = float(value)
    return round(number, decimals) + 0.0 if abs(number) < float("inf") else None

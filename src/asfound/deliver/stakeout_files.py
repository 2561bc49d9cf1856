"""Stakeout lists as files: `stakeout/NAME.*`, with a page of words beside each."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date

from asfound.deliver.delivery import Delivery
from asfound.model import Results, ServiceTargets, StakeoutList
from asfound.stakeout import (
    about_list,
    csv_list,
    geojson_list,
    gpx_list,
    kml_list,
    landxml_list,
    list_unit,
)
from asfound.units import length_unit

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
        f"{len(targets)} targets, {made.distance / unit.metres:.0f} {unit.symbol} on foot, "
        f"starting {made.start}."
    )
    return [*lines, *about_list(targets)]

"""The registry's operations between two CRSs at a place, from PROJ, without its network."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from typing import Protocol, cast

from pyproj import CRS, network
from pyproj.exceptions import ProjError
from pyproj.transformer import TransformerGroup

from asfound.geodesy.places import Place, holds


class Grid(Protocol):
    """A grid file that an operation needs."""

    @property
    def short_name(self) -> str: ...


class Entry(Protocol):
    """An operation of the registry, as pyproj describes it."""

    @property
    def name(self) -> str: ...
    @property
    def accuracy(self) -> float: ...
    @property
    def grids(self) -> Sequence[Grid]: ...
    def to_proj4(self) -> str: ...


class Runnable(Protocol):
    """An operation that PROJ has set up, longitude first."""

    @property
    def description(self) -> str: ...
    @property
    def definition(self) -> str: ...
    @property
    def accuracy(self) -> float: ...
    @property
    def operations(self) -> Sequence[Entry] | None: ...


def operations_between(
    source: CRS, target: CRS, place: Place
) -> tuple[list[Runnable], list[Entry]]:
    """Operations of known accuracy meant for a place: those that run, those that lack grids.

    No ballpark ones. PROJ's order, best first. PROJ's network access is switched off for the
    whole process: a result must not depend on what a machine can download.
    """
    network.set_network_enabled(False)  # type: ignore[attr-defined]
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # "best one is not available": the callers see to it
            group = TransformerGroup(
                source,
                target,
                always_xy=True,
                area_of_interest=place.area_of_interest,  # type: ignore[arg-type]
                allow_ballpark=False,
            )
    except (IndexError, ProjError):  # what pyproj raises where PROJ has nothing to offer
        return [], []
    runnable = [
        cast(Runnable, t)
        for t in group.transformers
        if t.accuracy >= 0.0 and holds(t.area_of_use, place)
    ]
    lacking = [
        cast(Entry, o)
        for o in group.unavailable_operations
        # Those without grids, or without a pipeline, can't be helped by a file.
        if o.accuracy >= 0.0 and o.grids and o.to_proj4() and holds(o.area_of_use, place)
    ]
    return runnable, lacking


def latitude_first(crs: CRS) -> bool:
    """Whether the CRS by itself has latitude as its first axis."""
    return bool(crs.axis_info) and crs.axis_info[0].direction.lower() in ("north", "south")

"""What the office lays beside the receivers' files: digs, exposures, records, decisions."""

from __future__ import annotations

from dataclasses import dataclass

from asfound.model.decisions import Decision
from asfound.model.digs import Area, ClearanceRule, Dig, Exposure, RecordLine, Terrain
from asfound.model.repeats import Repeat
from asfound.model.stakeouts import StakeoutRequest


@dataclass(frozen=True, eq=False)
class Plan:
    """A job's planned digs, what was seen in exposures, lines known from records, decisions.

    Parameters
    ----------
    digs : tuple of Trench, Bore, Pit, Post
    exposures : tuple of Exposure
    records : tuple of RecordLine
        Lines known only from records.
    holes : int
        How many exposures to advise at most.
    decisions : tuple of Decision
        In the order they were made; a later one wins.
    repeats : tuple of Repeat
        Spots that were measured again and stored.
    stakeouts : tuple of StakeoutRequest
        Stakeout lists that are written each time.
    required : tuple of ClearanceRule or None
        Required clearances; None: the usual ones.
    terrain : Terrain or None
        The ground, where it is known better than from the shots.
    searched : tuple of Area
        Where lines were searched for, whether or not one was found.
    hole_areas : tuple of Area
        Where a hole costs more, or where none can be made.
    hole_cost : float
        Of a hole anywhere else.
    """

    digs: tuple[Dig, ...] = ()
    exposures: tuple[Exposure, ...] = ()
    records: tuple[RecordLine, ...] = ()
    holes: int = 3
    decisions: tuple[Decision, ...] = ()
    repeats: tuple[Repeat, ...] = ()
    stakeouts: tuple[StakeoutRequest, ...] = ()
    required: tuple[ClearanceRule, ...] | None = None
    terrain: Terrain | None = None
    searched: tuple[Area, ...] = ()
    hole_areas: tuple[Area, ...] = ()
    hole_cost: float = 1.0

"""What the office lays beside the receivers' files: digs, exposures, records, decisions."""

from __future__ import annotations

from dataclasses import dataclass

from asfound.model.decisions import Decision
from asfound.model.digs import Dig, Exposure, RecordLine
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
    """

    digs: tuple[Dig, ...] = ()
    exposures: tuple[Exposure, ...] = ()
    records: tuple[RecordLine, ...] = ()
    holes: int = 3
    decisions: tuple[Decision, ...] = ()
    repeats: tuple[Repeat, ...] = ()
    stakeouts: tuple[StakeoutRequest, ...] = ()

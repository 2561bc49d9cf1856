"""What people decided about shots and lines, beside the raw records and never in their place."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

DECISION_KINDS = {
    "accept": "take the shots as sound, whatever the rules say",
    "reject": "take the shots as unfit, whatever the rules say",
    "set-utility": "the shots lie over another utility than their code says",
    "set-hook-up": "the shots were taken on another hook-up",
    "set-antenna-height": "the shots' antenna stood at another height above the tip [m]",
    "split": "the line ends between the two shots",
    "join": "the lines that end at the two shots are one",
    "rename": "the shots' line goes by another name",
}


@dataclass(frozen=True, order=True)
class ShotKey:
    """A shot by what never changes: the SHA-256 of its upload and its data row there."""

    upload: str
    row: int


@dataclass(frozen=True)
class Decision:
    """One decision, by whom and why.

    Parameters
    ----------
    id : str
        Unique within the job.
    kind : str
        One of `DECISION_KINDS`.
    shots : tuple of ShotKey
        Two for ``split`` and ``join``; one for ``rename``; else one or more.
    who : str
    when : datetime
        With its zone.
    why : str
        Never empty.
    value : str
        The utility's word, the hook-up's name, the height in metres, or the line's new name.
    """

    id: str
    kind: str
    shots: tuple[ShotKey, ...]
    who: str
    when: datetime
    why: str
    value: str = ""

    @property
    def value_words(self) -> str:
        """The value as people read it: a height with its unit."""
        if self.kind != "set-antenna-height":
            return self.value
        try:
            return f"{float(self.value):g} m"
        except ValueError:
            return self.value


@dataclass(frozen=True)
class DecisionOutcome:
    """What became of a decision when the job was processed.

    Parameters
    ----------
    decision : Decision
    shots : tuple of int
        Shots it touched, by index; empty where it could not be carried out.
    words : str
        What it did, or why it could not be done and what to do.
    """

    decision: Decision
    shots: tuple[int, ...]
    words: str

    @property
    def done(self) -> bool:
        return bool(self.shots)

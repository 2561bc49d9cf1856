"""Decisions carried out: beside the raw records, in the order they were made, a later one wins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from asfound.alignment import regroup
from asfound.model import (
    DECISION_KINDS,
    Assembly,
    Decision,
    DecisionOutcome,
    Ground,
    Intake,
    Labels,
    ShotKey,
    Shots,
    Utility,
    Verdict,
)

Integers = npt.NDArray[np.int64]

_ATTRIBUTES = ("set-utility", "set-hook-up", "set-antenna-height")
_VERDICTS = {"accept": Verdict.SOUND, "reject": Verdict.UNFIT}
_MOST_HEIGHT = 10.0


class Deciding:
    """A job's decisions while it is processed; `outcomes` says what became of each."""

    def __init__(self, decisions: Sequence[Decision], intake: Intake) -> None:
        self._decisions = tuple(decisions)
        self._outcomes: dict[str, DecisionOutcome] = {}
        uploads = {source.sha256: k for k, source in enumerate(intake.sources)}
        wanted = {
            (uploads[key.upload], key.row)
            for decision in decisions
            for key in decision.shots
            if key.upload in uploads
        }
        self._uploads = uploads
        self._index: dict[tuple[int, int], int] = {}
        if wanted:
            shots = intake.shots
            rows = np.isin(shots.row, np.array([row for _, row in wanted]))
            for at in np.flatnonzero(rows).tolist():
                pair = (int(shots.source[at]), int(shots.row[at]))
                if pair in wanted:
                    self._index[pair] = at

    @property
    def outcomes(self) -> tuple[DecisionOutcome, ...]:
        """One a decision, in their order."""
        return tuple(self._outcomes[decision.id] for decision in self._decisions)

    def shots(self, shots: Shots) -> Shots:
        """Shots with the utility, hook-up and antenna height that people set."""
        mine = [decision for decision in self._decisions if decision.kind in _ATTRIBUTES]
        if not mine:
            return shots
        utility, height = shots.utility.copy(), shots.antenna_height.copy()
        hookup = shots.hookup.words()
        for decision in mine:
            at = self._found(decision)
            if not len(at):
                continue
            if decision.kind == "set-utility":
                utility[at] = Utility[decision.value.upper()]
                said = f"taken as {decision.value}"
            elif decision.kind == "set-hook-up":
                hookup[at] = decision.value
                said = f"put on hook-up {decision.value}"
            else:
                height[at] = float(decision.value)
                said = f"given an antenna height of {float(decision.value):.3f} m"
            self._done(decision, at, f"{_count(at)} {said}")
        return replace(
            shots,
            utility=utility,
            antenna_height=height,
            hookup=Labels.of(hookup.tolist()),
        )

    def lines(self, assembly: Assembly, shots: Shots, ground: Ground) -> Assembly:
        """The assembly with lines split, joined and renamed."""
        mine = [d for d in self._decisions if d.kind in ("split", "join", "rename")]
        if not mine:
            return assembly
        order, starts = assembly.members()
        members = [order[starts[k] : starts[k + 1]] for k in range(len(assembly.names))]
        names = list(assembly.names)
        changed = False
        for decision in mine:
            at = self._found(decision)
            if not len(at):
                continue
            owner = np.full(len(shots), -1, np.int64)
            for k, one in enumerate(members):
                owner[one] = k
            if (owner[at] < 0).any():
                self._undone(decision, "a shot it names is on no line; nothing was changed")
            elif decision.kind == "rename":
                changed |= self._rename(decision, at, names, int(owner[at[0]]))
            elif decision.kind == "split":
                changed |= self._split(decision, at, names, members, owner)
            else:
                changed |= self._join(decision, at, names, members, owner)
        if not changed:
            return assembly
        return regroup(shots, ground, members, names)

    def verdicts(self, verdict: npt.NDArray[np.int8]) -> npt.NDArray[np.int8]:
        """Verdicts with what people accepted and rejected."""
        decided = verdict.copy()
        for decision in self._decisions:
            if decision.kind not in _VERDICTS:
                continue
            at = self._found(decision)
            if not len(at):
                continue
            new = _VERDICTS[decision.kind]
            before = [Verdict(int(code)).word for code in np.unique(verdict[at])]
            decided[at] = new
            self._done(
                decision,
                at,
                f"{_count(at)} taken as {new.word}; the rules had said {' and '.join(before)}",
            )
        return decided

    def _found(self, decision: Decision) -> Integers:
        """Shots of a decision, or none and an outcome that says why."""
        at = [self._at(key) for key in decision.shots]
        missing = [key for key, k in zip(decision.shots, at, strict=True) if k < 0]
        if missing:
            gone = missing[0]
            self._undone(
                decision,
                f"row {gone.row} of upload {gone.upload[:12]} is no shot of this job any more; "
                "nothing was changed. Undo the decision, or bring the upload back",
            )
            return np.empty(0, np.int64)
        return np.array(at, np.int64)

    def _at(self, key: ShotKey) -> int:
        return self._index.get((self._uploads.get(key.upload, -1), key.row), -1)

    def _done(self, decision: Decision, at: Integers, words: str) -> None:
        self._outcomes[decision.id] = DecisionOutcome(decision, tuple(at.tolist()), words)

    def _undone(self, decision: Decision, words: str) -> None:
        self._outcomes[decision.id] = DecisionOutcome(decision, (), words)

    def _rename(self, decision: Decision, at: Integers, names: list[str], line: int) -> bool:
        new, old = decision.value, names[line]
        if new.casefold() in {name.casefold() for k, name in enumerate(names) if k != line}:
            self._undone(
                decision, f"another line is called {new} already; join the two or take another name"
            )
            return False
        names[line] = new
        self._done(decision, at, f"line {old} is called {new}")
        return old != new

    def _split(
        self,
        decision: Decision,
        at: Integers,
        names: list[str],
        members: list[Integers],
        owner: Integers,
    ) -> bool:
        line = int(owner[at[0]])
        if owner[at[1]] != line:
            self._undone(decision, "its two shots are on different lines already")
            return False
        one = members[line]
        rank = sorted(int(np.flatnonzero(one == shot)[0]) for shot in at)
        if rank[1] - rank[0] != 1:
            self._undone(decision, "its two shots are not neighbours on the line any more")
            return False
        cut = rank[1]
        if cut < 2 or len(one) - cut < 2:
            self._undone(decision, "a part of fewer than two shots would be left; reject the shot")
            return False
        members[line] = one[:cut]
        members.append(one[cut:])
        names.append(_free(names[line], names))
        self._done(decision, at, f"line {names[line]} was split; the other part is {names[-1]}")
        return True

    def _join(
        self,
        decision: Decision,
        at: Integers,
        names: list[str],
        members: list[Integers],
        owner: Integers,
    ) -> bool:
        first, second = int(owner[at[0]]), int(owner[at[1]])
        if first == second:
            self._undone(decision, "its two shots are on one line already")
            return False
        one, two = members[first], members[second]
        if at[0] not in (one[0], one[-1]) or at[1] not in (two[0], two[-1]):
            self._undone(decision, "lines are joined at their ends; one of its shots is not an end")
            return False
        if at[0] == one[0] and len(one) > 1:
            one = one[::-1]
        if at[1] == two[-1] and len(two) > 1:
            two = two[::-1]
        members[first] = np.concatenate([one, two])
        self._done(decision, at, f"lines {names[first]} and {names[second]} were joined")
        del members[second], names[second]
        return True


def _free(name: str, names: Sequence[str]) -> str:
    taken = {other.casefold() for other in names}
    number = 2
    while f"{name}-{number}".casefold() in taken:
        number += 1
    return f"{name}-{number}"


def _count(at: Integers) -> str:
    return "1 shot" if len(at) == 1 else f"{len(at)} shots"


def check_decision(decision: Decision) -> str:
    """What is wrong with a decision in itself; empty where nothing is."""
    kind = decision.kind
    if kind not in DECISION_KINDS:
        return f"there is no decision {kind!r}; known: {', '.join(DECISION_KINDS)}"
    if not decision.why.strip():
        return "a reason is needed"
    if not decision.who.strip():
        return "who decides must be said"
    wanted = {"split": 2, "join": 2, "rename": 1}.get(kind, 0)
    if wanted and len(decision.shots) != wanted:
        return f"{kind} wants {wanted} shot{'s' if wanted > 1 else ''}"
    if not decision.shots:
        return "it names no shot"
    if kind in ("set-hook-up", "rename") and not decision.value.strip():
        return "a name is needed"
    if kind == "set-utility":
        words = [utility.word for utility in Utility]
        if decision.value not in words:
            return f"one of {', '.join(words)} is needed"
    if kind == "set-antenna-height":
        try:
            height = float(decision.value)
        except ValueError:
            return "a number of metres is needed"
        if not 0 <= height <= _MOST_HEIGHT:
            return f"an antenna height between 0 and {_MOST_HEIGHT:.0f} m is needed"
    return ""

"""The frame of a file: declared, named in the file, or open."""

from __future__ import annotations

from asfound.errors import FrameError
from asfound.geodesy import resolve_frame
from asfound.intake.columns_guess import Matched
from asfound.intake.frame_guess import (
    canonical,
    epoch_in_text,
    frame_doubts,
    frame_in_text,
    known_frame,
)
from asfound.intake.frames import FrameFacts, frame_facts
from asfound.intake.guess_state import AXES, Guess
from asfound.intake.mapping import OPEN, Column
from asfound.model import Frame


def frame_of_file(guess: Guess) -> Frame:
    crs, epoch = _crs(guess), guess.hints.epoch
    if epoch is None:
        epoch = epoch_in_text(guess.lead)
        if epoch is not None:
            guess.doubt(
                "frame",
                f"The epoch is taken as {epoch:g}.",
                "The lines before the header say so.",
                "Set epoch under [frame] in the mapping file, or give --epoch.",
            )
    if crs == OPEN:
        if guess.located or guess.has_position() or guess.kind != "shots":
            guess.ambiguity(
                "frame",
                "The reference frame of the coordinates is not declared anywhere.",
                "Frames of correction services lie up to two metres apart.",
                "Give the frame of the correction service with --frame (crs under [frame]).",
            )
    else:
        guess.facts = facts_of(crs)
        guess.doubts += frame_doubts(crs, guess.hints.position_accuracy)
    return Frame(crs, epoch, "ellipsoidal", guess.hints.geoid)


def _crs(guess: Guess) -> str:
    if guess.file_crs and not guess.hints.frame:
        return guess.file_crs
    column = guess.matched.get("frame")
    words = sorted(set(guess.cells[column.index])) if column else []
    if guess.hints.frame:
        if column:
            _frame_column(guess, column, words)
        own = guess.file_crs or (words[0] if len(words) == 1 else "")
        if own and not _same_frame(own, guess.hints.frame):
            guess.doubt(
                "frame",
                f"The file says its frame is '{_short(own)}'; '{guess.hints.frame}', which was "
                "declared, is used.",
                "Exports often write a default there.",
                "Leave out --frame to take the file's own.",
            )
        return canonical(guess.hints.frame)
    if column and words:
        _frame_column(guess, column, words)
        if len(words) == 1 and known_frame(words[0]):
            return canonical(words[0])
        return OPEN
    titles = [guess.matched[name].title.text for name in AXES if name in guess.matched]
    for text, place in ((guess.lead, "lines before the header"), (" ; ".join(titles), "titles")):
        found = frame_in_text(text)
        if found:
            guess.doubt(
                "frame",
                f"The frame is taken as {found}.",
                f"The {place} say so.",
                "Give the frame of the correction service with --frame (crs under [frame]).",
            )
            return found
    return OPEN


def _frame_column(guess: Guess, column: Matched, words: list[str]) -> None:
    """A column that names the frame of each row: rows in another frame are reported."""
    title = guess.title(column)
    if len(words) > 1:
        guess.ambiguity(
            "frame",
            f"Column '{title}' names {len(words)} frames: {', '.join(words[:6])}.",
            "An upload has one frame; rows in another would be up to metres off.",
            "Put the rows of each frame into their own file; or set only under "
            "[columns.frame] to the words that mean the declared frame: the other rows are "
            "reported.",
        )
        guess.columns["frame"] = Column(OPEN, only=tuple(words[:1]))
    elif words:
        guess.columns["frame"] = Column(guess.key(column.index), only=tuple(words))


def facts_of(crs: str) -> FrameFacts | None:
    """Facts of a frame; None if PROJ does not know it."""
    try:
        return frame_facts(Frame(canonical(crs)), where="--frame")
    except FrameError:
        return None


def _same_frame(one: str, other: str) -> bool:
    if canonical(one).casefold() == canonical(other).casefold():
        return True
    try:
        a, b = (resolve_frame(canonical(text)) for text in (one, other))
    except FrameError:
        return False
    return bool(a.to_2d() == b.to_2d() or a.name == b.name)


def _short(text: str) -> str:
    return text if len(text) <= 60 else f"{text[:57]}..."

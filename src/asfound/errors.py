"""What can go wrong, said so that the reader can put it right.

Every error names where it happened, what was wrong and what to do about it. The core raises
these, the edges (command line, web) print them; no user error ever shows a traceback.
"""

from __future__ import annotations


class AsfoundError(Exception):
    """Base of all errors a user can cause and mend.

    Parameters
    ----------
    what : str
        What was wrong, with the bad value in it.
    where : str
        File, line, field, setting or call in which it was found; may be empty.
    remedy : str
        What to do about it; may be empty.
    """

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.remedy = remedy

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text} {self.remedy}" if self.remedy else text

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.what, self.where, self.remedy))


class InputError(AsfoundError):
    """A file, value or argument can't be used as it is."""

    exit_code = 3


class AmbiguityError(InputError):
    """A unit, sign, zone or frame could be read in more than one way; asfound won't guess."""

    exit_code = 4


class FrameError(AsfoundError):
    """A reference frame, epoch, grid or coordinate operation is missing or not good enough."""

    exit_code = 5


class SettingsError(AsfoundError):
    """A job's settings or profile hold a value that can't be used."""

    exit_code = 6


def _rebuild(kind: type[AsfoundError], what: str, where: str, remedy: str) -> AsfoundError:
    return kind(what, where=where, remedy=remedy)

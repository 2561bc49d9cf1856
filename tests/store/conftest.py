"""A store on each kind of database, with a clock that the test moves."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest

from asfound.store import Store, open_store


class Clock:
    """A clock that goes on by itself a little and by a jump when told to."""

    def __init__(self) -> None:
        self.now = datetime(2026, 11, 25, 16, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(microseconds=1)
        return self.now

    def jump(self, **by: float) -> None:
        self.now += timedelta(**by)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(database_url: str, clock: Clock) -> Iterator[Store]:
    opened = open_store(database_url, clock=clock)
    yield opened
    opened.close()

"""The ledger in the database: nothing lost, nothing twice, nothing changed unseen."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from asfound.store import Store, open_store


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = open_store(database_url)
    yield opened
    opened.close()


def test_entries_come_back_as_they_were_appended(store: Store) -> None:
    store.create_job("elm", "Elm Street", "ana", {"settings": "name = 'Elm'"})
    entry = store.append("elm", "ana", "shots-posted", {"rows": [{"depth": 1.25}]})
    assert [e.action for e in store.entries("elm")] == ["job-created", "shots-posted"]
    assert store.entries("elm", after=1) == [entry]
    assert entry.payload == {"rows": [{"depth": 1.25}]}
    assert store.verify("elm").sound

"""One desk a database, on SQLite and PostgreSQL."""

from __future__ import annotations

from asfound.store import open_store


def test_only_one_store_holds_a_name_until_it_lets_go(store, database_url):
    other = open_store(database_url)
    try:
        with store.only_one("server") as first:
            assert first
            with other.only_one("server") as second:
                assert not second
            with other.only_one("worker") as another_name:
                assert another_name
        with other.only_one("server", wait=5.0) as later:
            assert later
    finally:
        other.close()


def test_a_lock_keeps_no_one_from_writing(store):
    with store.only_one("server"):
        store.create_user("Ana", "a good long one", "technician")
    assert store.has_users()

"""People, browsers, tokens, receivers: who may act, and no longer than they may."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from asfound.errors import AsfoundError, InputError
from asfound.store import ConflictError, Store, UnknownError
from asfound.store.schema import tokens, users, web_sessions

GOOD = "four words apart"


@pytest.fixture
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hashes as cheap as they can be, for tests that are not about them."""
    from argon2 import PasswordHasher

    from asfound.store import _accounts

    hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(_accounts, "_hasher", lambda: hasher)
    monkeypatch.setattr(_accounts, "_nobody", lambda: hasher.hash("nobody"))


def all_text(store: Store, table: Any) -> str:
    with store.reading() as connection:
        return repr(connection.execute(select(table)).all())


@pytest.mark.usefixtures("quick_hashes")
def test_the_first_administrator_is_one_even_if_many_try(store: Store) -> None:
    assert not store.has_users()

    def attempt(number: int) -> bool:
        try:
            store.create_first_administrator(f"admin{number}", GOOD)
        except ConflictError:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(attempt, range(8))) == 1
    assert store.has_users()
    (user,) = store.list_users()
    assert (user.role, user.active, user.metric) == ("administrator", True, False)


@pytest.mark.usefixtures("quick_hashes")
def test_names_are_one_whatever_their_letter_case(store: Store) -> None:
    store.create_user("Ana Lúz", GOOD, "technician")
    with pytest.raises(ConflictError):
        store.create_user("ANA LÚZ", GOOD, "reader")
    found = store.authenticate(" ana lúz ", GOOD)
    assert found is not None
    assert found.name == "Ana Lúz"


@pytest.mark.usefixtures("quick_hashes")
@pytest.mark.usefixtures("quick_hashes")
@pytest.mark.parametrize(
    ("name", "password", "role"),
    [
        ("", GOOD, "reader"),
        ("a\nb", GOOD, "reader"),
        ("a\0", GOOD, "reader"),
        ("x" * 81, GOOD, "reader"),
        ("ana", "short", "reader"),
        ("ana", "x" * 1001, "reader"),
        ("ana", "\ud800" * 12, "reader"),
        ("ana", GOOD, "boss"),
    ],
)
def test_accounts_that_cant_be_are_refused(
    store: Store, name: str, password: str, role: str
) -> None:
    with pytest.raises(InputError) as caught:
        store.create_user(name, password, role)
    assert caught.value.remedy
    assert store.list_users() == []


@pytest.mark.usefixtures("quick_hashes")
def test_a_password_lets_in_and_nothing_else_does(store: Store) -> None:
    store.create_user("ana", GOOD, "technician")
    assert store.authenticate("ana", GOOD) is not None
    for name, password in (
        ("ana", GOOD + " "),
        ("ana", ""),
        ("ana", "x" * 5000),
        ("bo", GOOD),
        ("", ""),
        ("ana\0", GOOD),
        ("ana", "\ud800"),
    ):
        assert store.authenticate(name, password) is None


def test_a_password_is_kept_as_an_argon2id_hash_only(store: Store) -> None:
    store.create_user("ana", GOOD, "technician")
    kept = all_text(store, users)
    assert GOOD not in kept
    assert "$argon2id$" in kept


def test_a_password_of_weaker_parameters_is_hashed_anew_at_login(store: Store) -> None:
    from argon2 import PasswordHasher
    from sqlalchemy import update

    store.create_user("ana", GOOD, "technician")
    weak = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(GOOD)
    with store.writing() as connection:
        connection.execute(update(users).values(password_hash=weak))
    assert store.authenticate("ana", GOOD) is not None
    assert weak not in all_text(store, users)
    assert store.authenticate("ana", GOOD) is not None


@pytest.mark.usefixtures("quick_hashes")
def test_one_who_is_no_longer_active_is_out_everywhere(store: Store) -> None:
    store.create_first_administrator("admin", GOOD)
    ana = store.create_user("ana", GOOD, "technician")
    cookie, _ = store.open_web_session(ana.id)
    secret, _ = store.create_token("phone", "technician", user_id=ana.id)
    assert store.web_session(cookie) is not None
    assert store.token(secret) is not None
    store.change_user(ana.id, active=False)
    assert store.authenticate("ana", GOOD) is None
    assert store.web_session(cookie) is None
    assert store.token(secret) is None
    store.change_user(ana.id, active=True)
    assert store.web_session(cookie) is None, "a browser must log in again"


@pytest.mark.usefixtures("quick_hashes")
def test_a_new_password_logs_all_browsers_out(store: Store) -> None:
    ana = store.create_user("ana", GOOD, "administrator")
    cookie, _ = store.open_web_session(ana.id)
    store.set_password(ana.id, "another good one")
    assert store.web_session(cookie) is None
    assert store.authenticate("ana", GOOD) is None
    assert store.authenticate("ana", "another good one") is not None


@pytest.mark.usefixtures("quick_hashes")
def test_the_last_administrator_stays(store: Store) -> None:
    first = store.create_first_administrator("admin", GOOD)
    for change in ({"active": False}, {"role": "reviewer"}):
        with pytest.raises(ConflictError, match="no administrator"):
            store.change_user(first.id, **change)
    second = store.create_user("second", GOOD, "administrator")
    store.change_user(first.id, role="reader")
    with pytest.raises(ConflictError):
        store.change_user(second.id, active=False)
    assert [user.role for user in store.list_users()] == ["reader", "administrator"]


@pytest.mark.usefixtures("quick_hashes")
def test_of_two_administrators_who_demote_each_other_one_stays(store: Store) -> None:
    pair = [store.create_user(name, GOOD, "administrator") for name in ("ana", "bo")]

    def demote(user_id: int) -> None:
        try:
            store.change_user(user_id, role="reader")
        except ConflictError:
            return

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(demote, [user.id for user in pair]))
    assert sorted(user.role for user in store.list_users()) == ["administrator", "reader"]


@pytest.mark.usefixtures("quick_hashes")
def test_people_belong_to_crews(store: Store) -> None:
    crew = store.create_crew("North")
    with pytest.raises(ConflictError):
        store.create_crew("North")
    ana = store.create_user("ana", GOOD, "administrator", crew_id=crew.id)
    assert ana.crew_id == crew.id
    assert store.change_user(ana.id, metric=False).crew_id == crew.id
    assert store.change_user(ana.id, crew_id=None).crew_id is None
    with pytest.raises(UnknownError):
        store.change_user(ana.id, crew_id=99)
    with pytest.raises(UnknownError):
        store.create_user("bo", GOOD, "reader", crew_id=99)
    assert store.list_crews() == [crew]


@pytest.mark.usefixtures("quick_hashes")
def test_a_browser_is_known_by_its_secret_until_it_is_over(store: Store, clock: Any) -> None:
    ana = store.create_user("ana", GOOD, "technician")
    secret, session = store.open_web_session(ana.id, lasts=timedelta(hours=12))
    found = store.web_session(secret)
    assert found is not None
    assert (found.user, found.csrf) == (ana, session.csrf)
    assert store.web_session(secret + "x") is None
    assert store.web_session("") is None
    for _ in range(5):
        clock.jump(hours=2)
        assert store.web_session(secret) is not None, "used every two hours"
    clock.jump(hours=2, minutes=1)
    assert store.web_session(secret) is None, "twelve hours are over"


@pytest.mark.usefixtures("quick_hashes")
def test_a_browser_left_alone_is_logged_out(store: Store, clock: Any) -> None:
    ana = store.create_user("ana", GOOD, "technician")
    secret, _ = store.open_web_session(ana.id)
    clock.jump(hours=4, minutes=1)
    assert store.web_session(secret) is None
    other, _ = store.open_web_session(ana.id)
    store.close_web_session(other)
    assert store.web_session(other) is None


@pytest.mark.usefixtures("quick_hashes")
def test_two_browsers_never_share_a_secret_or_a_csrf_token(store: Store) -> None:
    ana = store.create_user("ana", GOOD, "technician")
    opened = [store.open_web_session(ana.id) for _ in range(5)]
    assert len({secret for secret, _ in opened} | {one.csrf for _, one in opened}) == 10


@pytest.mark.usefixtures("quick_hashes")
def test_secrets_are_not_in_the_database(store: Store) -> None:
    ana = store.create_user("ana", GOOD, "technician")
    cookie, _ = store.open_web_session(ana.id)
    secret, _ = store.create_token("phone", "reader", user_id=ana.id)
    kept = all_text(store, web_sessions) + all_text(store, tokens)
    assert cookie not in kept
    assert secret not in kept
    assert secret.removeprefix("asf_") not in kept


@pytest.mark.usefixtures("quick_hashes")
def test_a_token_acts_for_a_person_and_never_for_more(store: Store, clock: Any) -> None:
    store.create_first_administrator("admin", GOOD)
    ana = store.create_user("ana", GOOD, "reviewer")
    with pytest.raises(InputError, match="can't do more"):
        store.create_token("x", "administrator", user_id=ana.id)
    secret, token = store.create_token("laptop", "reviewer", user_id=ana.id)
    assert token.last_used is None
    found = store.token(secret)
    assert found is not None
    assert found.role == "reviewer"
    store.change_user(ana.id, role="reader")
    lesser = store.token(secret)
    assert lesser is not None
    assert lesser.role == "reader"
    assert lesser.last_used is not None
    store.revoke_token(token.id)
    assert store.token(secret) is None
    assert store.list_tokens()[0].revoked is not None
    with pytest.raises(UnknownError):
        store.revoke_token(99)


@pytest.mark.usefixtures("quick_hashes")
def test_a_receiver_s_token_tells_when_it_was_heard_from(store: Store, clock: Any) -> None:
    store.put_receiver("EL-0417", note="invented", verified=date(2026, 3, 1))
    secret, _ = store.create_token("EL-0417", "technician", receiver="EL-0417")
    assert store.receiver("EL-0417").last_contact is None
    found = store.token(secret)
    assert found is not None
    assert (found.receiver, found.user_id) == ("EL-0417", None)
    heard = store.receiver("EL-0417").last_contact
    assert heard is not None
    clock.jump(minutes=5)
    store.token(secret)
    later = store.receiver("EL-0417").last_contact
    assert later is not None
    assert later > heard


@pytest.mark.parametrize("owner", [{}, {"user_id": 1, "receiver": "X"}, {"receiver": "nope"}])
def test_a_token_of_no_one_or_two_is_refused(store: Store, owner: dict) -> None:
    store.create_user("ana", GOOD, "technician")
    store.put_receiver("X")
    with pytest.raises(InputError):
        store.create_token("label", "reader", **owner)


@pytest.mark.usefixtures("quick_hashes")
def test_receivers_keep_what_is_not_changed(store: Store, clock: Any) -> None:
    crew = store.create_crew("North")
    store.put_receiver("EL-1", note="spare", verified=date(2026, 3, 1), crew_id=crew.id)
    changed = store.put_receiver("EL-1", verified=date(2026, 9, 1))
    assert (changed.note, changed.verified, changed.crew_id) == ("spare", date(2026, 9, 1), crew.id)
    first = store.touch_receiver("EL-2").last_contact
    assert first is not None
    assert store.touch_receiver("EL-2").last_contact == first, "right to a minute"
    clock.jump(minutes=2)
    assert store.touch_receiver("EL-2").last_contact - first > timedelta(minutes=1)
    assert [one.serial for one in store.list_receivers()] == ["EL-1", "EL-2"]
    with pytest.raises(UnknownError):
        store.receiver("EL-3")


@pytest.mark.usefixtures("quick_hashes")
def test_failed_logins_are_counted_by_name_and_address(store: Store, clock: Any) -> None:
    for _ in range(3):
        store.note_login_failure("Ana", "192.0.2.1")
    store.note_login_failure("bo\0", "192.0.2.1")
    hour = timedelta(hours=1)
    assert store.login_failures(hour, name="ana") == 3
    assert store.login_failures(hour, address="192.0.2.1") == 4
    assert store.login_failures(hour, name="ana", address="198.51.100.9") == 0
    store.forget_login_failures("ANA")
    assert store.login_failures(hour, name="ana") == 0
    clock.jump(hours=2)
    assert store.login_failures(hour, address="192.0.2.1") == 0


@pytest.mark.usefixtures("quick_hashes")
def test_unknown_people_are_said_to_be(store: Store) -> None:
    for call in (store.user, store.open_web_session, lambda n: store.set_password(n, GOOD)):
        with pytest.raises(AsfoundError):
            call(99)

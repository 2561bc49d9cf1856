"""People, their passwords, browsers and tokens; crews and receivers."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from contextlib import suppress
from datetime import date, timedelta
from functools import cache
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, RowMapping, delete, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from asfound.errors import InputError
from asfound.store._engine import Transactions
from asfound.store._errors import ConflictError, StoreError, UnknownError
from asfound.store._text import checked_text, name_key
from asfound.store.records import Crew, Receiver, Token, User, WebSession
from asfound.store.schema import (
    ROLES,
    crews,
    login_failures,
    receivers,
    tokens,
    users,
    web_sessions,
)

if TYPE_CHECKING:
    from argon2 import PasswordHasher

SHORTEST_PASSWORD = 10
LONGEST_PASSWORD = 1000
TOKEN_START = "asf_"

_SEEN_EVERY = timedelta(minutes=1)
_USER_COLUMNS = [users.c[name] for name in User.__dataclass_fields__]
_TOKEN_COLUMNS = [tokens.c[name] for name in Token.__dataclass_fields__]
_RECEIVER_COLUMNS = [receivers.c[name] for name in Receiver.__dataclass_fields__]


class Accounts(Transactions):
    """Crews, users, browsers that are logged in, tokens, receivers."""

    # Crews

    def create_crew(self, name: str) -> Crew:
        """A new crew.

        Raises
        ------
        ConflictError
            If there is one of this name.
        """
        name = checked_text(name, "name")
        try:
            with self.writing() as connection:
                done = connection.execute(insert(crews).values(name=name).returning(crews.c.id))
                return Crew(done.scalar_one(), name)
        except IntegrityError as error:
            raise _taken("crew", name) from error

    def list_crews(self) -> list[Crew]:
        """All crews by name."""
        with self.reading() as connection:
            rows = connection.execute(select(crews).order_by(crews.c.name)).mappings()
            return [Crew(**row) for row in rows]

    # Users

    def has_users(self) -> bool:
        """Whether anyone has an account yet."""
        with self.reading() as connection:
            return connection.execute(select(users.c.id).limit(1)).first() is not None

    def create_first_administrator(self, name: str, password: str) -> User:
        """The first account; of two who try at once, one gets it.

        Raises
        ------
        ConflictError
            If there is an account already.
        InputError
            If name or password can't be used.
        """
        return self._create_user(name, password, "administrator", None, False, first=True)

    def create_user(
        self,
        name: str,
        password: str,
        role: str,
        *,
        crew_id: int | None = None,
        metric: bool = False,
    ) -> User:
        """A new account.

        Raises
        ------
        ConflictError
            If the name is taken (letter case doesn't count).
        InputError
            If name, password, role or crew can't be used.
        """
        return self._create_user(name, password, role, crew_id, metric)

    def _create_user(
        self,
        name: str,
        password: str,
        role: str,
        crew_id: int | None,
        metric: bool,
        *,
        first: bool = False,
    ) -> User:
        name = checked_text(name, "name", longest=80)
        _check_role(role)
        hashed = _hash_password(password)
        try:
            with self.writing() as connection:
                if first:
                    _one_at_a_time(connection)
                    if connection.execute(select(users.c.id).limit(1)).first() is not None:
                        raise ConflictError(
                            "there is an administrator already.",
                            where="name",
                            remedy="Log in, or ask the administrator for an account.",
                        )
                _check_crew(connection, crew_id)
                made = connection.execute(
                    insert(users)
                    .values(
                        name=name,
                        name_key=name_key(name),
                        password_hash=hashed,
                        role=role,
                        crew_id=crew_id,
                        active=True,
                        metric=metric,
                        created=self.clock(),
                    )
                    .returning(*_USER_COLUMNS)
                )
                return User(**made.mappings().one())
        except IntegrityError as error:
            raise _taken("user", name) from error

    def user(self, user_id: int) -> User:
        """A user.

        Raises
        ------
        UnknownError
        """
        with self.reading() as connection:
            return _user(connection, user_id)

    def list_users(self) -> list[User]:
        """All users by name."""
        with self.reading() as connection:
            rows = connection.execute(select(*_USER_COLUMNS).order_by(users.c.name_key))
            return [User(**row) for row in rows.mappings()]

    def change_user(
        self,
        user_id: int,
        *,
        role: str | None = None,
        active: bool | None = None,
        metric: bool | None = None,
        crew_id: int | str | None = "same",
    ) -> User:
        """Change an account; one that is no longer active is logged out everywhere.

        Parameters
        ----------
        crew_id : int, None or "same"
            None takes the user out of the crew.

        Raises
        ------
        UnknownError
        ConflictError
            If no active administrator would be left.
        """
        values: dict[str, Any] = {}
        if role is not None:
            values["role"] = _check_role(role)
        if active is not None:
            values["active"] = active
        if metric is not None:
            values["metric"] = metric
        with self.writing() as connection:
            _one_at_a_time(connection)
            _user(connection, user_id)
            if crew_id != "same":
                _check_crew(connection, crew_id)
                values["crew_id"] = crew_id
            if values:
                connection.execute(update(users).where(users.c.id == user_id).values(**values))
            if role is not None or active is not None:
                _keep_an_administrator(connection)
            if active is False:
                _log_out(connection, user_id)
            return _user(connection, user_id)

    def set_password(self, user_id: int, password: str) -> None:
        """Give a user a new password; all browsers are logged out.

        Raises
        ------
        UnknownError, InputError
        """
        hashed = _hash_password(password)
        with self.writing() as connection:
            _user(connection, user_id)
            connection.execute(
                update(users).where(users.c.id == user_id).values(password_hash=hashed)
            )
            _log_out(connection, user_id)

    def authenticate(self, name: str, password: str) -> User | None:
        """The active user of this name and password; takes as long where there is none."""
        with self.reading() as connection:
            row = (
                connection.execute(select(users).where(users.c.name_key == name_key(name)))
                .mappings()
                .first()
            )
        known = row is not None and bool(row["active"])
        right = _password_holds(row["password_hash"] if row else _nobody(), password)
        if not (known and right) or row is None:
            return None
        if _hasher().check_needs_rehash(row["password_hash"]):
            with self.writing() as connection:
                connection.execute(
                    update(users)
                    .where(users.c.id == row["id"], users.c.password_hash == row["password_hash"])
                    .values(password_hash=_hash_password(password, check=False))
                )
        return self.user(row["id"])

    # Failed logins, for those who limit the rate

    def note_login_failure(self, name: str, address: str) -> None:
        """Remember that a login failed; what is older than a day is forgotten."""
        with self.writing() as connection:
            connection.execute(
                delete(login_failures).where(
                    login_failures.c.time < self.clock() - timedelta(days=1)
                )
            )
            connection.execute(
                insert(login_failures).values(
                    name_key=name_key(name)[:80],
                    address=name_key(address)[:80],
                    time=self.clock(),
                )
            )

    def login_failures(self, within: timedelta, *, name: str = "", address: str = "") -> int:
        """How many logins failed lately for a name, or from an address, or both."""
        query = select(func.count()).where(login_failures.c.time >= self.clock() - within)
        if name:
            query = query.where(login_failures.c.name_key == name_key(name)[:80])
        if address:
            query = query.where(login_failures.c.address == name_key(address)[:80])
        with self.reading() as connection:
            return int(connection.execute(query).scalar_one())

    def forget_login_failures(self, name: str) -> None:
        """After a login that worked."""
        with self.writing() as connection:
            connection.execute(
                delete(login_failures).where(login_failures.c.name_key == name_key(name)[:80])
            )

    # Browsers

    def open_web_session(
        self, user_id: int, *, lasts: timedelta = timedelta(hours=12)
    ) -> tuple[str, WebSession]:
        """Log a browser in.

        Returns
        -------
        secret : str
            For the cookie; only its hash is kept.
        session : WebSession
        """
        secret, now = secrets.token_urlsafe(32), self.clock()
        with self.writing() as connection:
            user = _user(connection, user_id)
            connection.execute(delete(web_sessions).where(web_sessions.c.expires < now))
            values = {
                "csrf": secrets.token_urlsafe(32),
                "created": now,
                "seen": now,
                "expires": now + lasts,
            }
            connection.execute(
                insert(web_sessions).values(token_hash=_digest(secret), user_id=user_id, **values)
            )
        return secret, WebSession(user=user, **values)  # type: ignore[arg-type]

    def web_session(
        self, secret: str, *, idle: timedelta = timedelta(hours=4)
    ) -> WebSession | None:
        """The session a cookie stands for; None if it is over or its user is not active."""
        digest, now = _digest(secret), self.clock()
        query = select(web_sessions).where(web_sessions.c.token_hash == digest)
        with self.reading() as connection:
            row = connection.execute(query).mappings().first()
            if row is None or not hmac.compare_digest(row["token_hash"], digest):
                return None
            user = _user(connection, row["user_id"])
        if now >= row["expires"] or now - row["seen"] > idle or not user.active:
            return None
        if now - row["seen"] > _SEEN_EVERY:
            with self.writing() as connection:
                connection.execute(
                    update(web_sessions).where(web_sessions.c.token_hash == digest).values(seen=now)
                )
        return WebSession(user, row["csrf"], row["created"], row["seen"], row["expires"])

    def close_web_session(self, secret: str) -> None:
        """Log a browser out."""
        with self.writing() as connection:
            connection.execute(
                delete(web_sessions).where(web_sessions.c.token_hash == _digest(secret))
            )

    # Tokens

    def create_token(
        self,
        label: str,
        role: str,
        *,
        user_id: int | None = None,
        receiver: str | None = None,
    ) -> tuple[str, Token]:
        """A token for a person or a receiver (one of the two).

        Returns
        -------
        secret : str
            Shown this once; only its hash is kept.
        token : Token

        Raises
        ------
        InputError, UnknownError
            If it belongs to neither or both, or to someone unknown; a person's token can't do
            more than the person.
        """
        label = checked_text(label, "label")
        _check_role(role)
        if (user_id is None) == (receiver is None):
            raise InputError(
                "a token belongs to a person or to a receiver.",
                where="user",
                remedy="Name one of the two.",
            )
        secret = TOKEN_START + secrets.token_urlsafe(32)
        with self.writing() as connection:
            if user_id is not None:
                user = _user(connection, user_id)
                if ROLES.index(role) > ROLES.index(user.role):
                    raise InputError(
                        f"{user.name} is a {user.role}; a token can't do more.",
                        where="role",
                        remedy=f"Choose {user.role} or less.",
                    )
            if receiver is not None:
                _receiver(connection, receiver)
            made = connection.execute(
                insert(tokens)
                .values(
                    token_hash=_digest(secret),
                    label=label,
                    user_id=user_id,
                    receiver=receiver,
                    role=role,
                    created=self.clock(),
                )
                .returning(*_TOKEN_COLUMNS)
            )
            return secret, Token(**made.mappings().one())

    def token(self, secret: str) -> Token | None:
        """The token a secret stands for; None if revoked, or its user is not active.

        Its role is never more than its user's present role. A receiver's `last_contact` is set.
        """
        digest, now = _digest(secret), self.clock()
        query = select(tokens).where(tokens.c.token_hash == digest)
        with self.reading() as connection:
            row = connection.execute(query).mappings().first()
            if row is None or not hmac.compare_digest(row["token_hash"], digest):
                return None
            found = Token(**{name: row[name] for name in Token.__dataclass_fields__})
            user = None if found.user_id is None else _user(connection, found.user_id)
        if found.revoked is not None or (user is not None and not user.active):
            return None
        if found.last_used is None or now - found.last_used > _SEEN_EVERY:
            with self.writing() as connection:
                connection.execute(
                    update(tokens).where(tokens.c.id == found.id).values(last_used=now)
                )
                if found.receiver is not None:
                    connection.execute(
                        update(receivers)
                        .where(receivers.c.serial == found.receiver)
                        .values(last_contact=now)
                    )
        role = found.role
        if user is not None and ROLES.index(user.role) < ROLES.index(role):
            role = user.role
        values = {name: getattr(found, name) for name in Token.__dataclass_fields__}
        return Token(**{**values, "role": role})

    def list_tokens(self) -> list[Token]:
        """All tokens, the newest first, those revoked too."""
        with self.reading() as connection:
            rows = connection.execute(select(*_TOKEN_COLUMNS).order_by(tokens.c.id.desc()))
            return [Token(**row) for row in rows.mappings()]

    def revoke_token(self, token_id: int) -> None:
        """End a token for good.

        Raises
        ------
        UnknownError
        """
        with self.writing() as connection:
            found = connection.execute(select(tokens.c.revoked).where(tokens.c.id == token_id))
            if found.first() is None:
                raise UnknownError(
                    f"there is no token {token_id}.", where="token", remedy="See the list."
                )
            connection.execute(
                update(tokens)
                .where(tokens.c.id == token_id, tokens.c.revoked.is_(None))
                .values(revoked=self.clock())
            )

    # Receivers

    def put_receiver(
        self,
        serial: str,
        *,
        note: str | None = None,
        verified: date | None = None,
        crew_id: int | str | None = "same",
    ) -> Receiver:
        """Make a receiver known, or change what is known of it; what is left out stays."""
        serial = checked_text(serial, "serial", longest=80)
        values: dict[str, Any] = {}
        if note is not None:
            values["note"] = checked_text(note, "note", empty=True)
        if verified is not None:
            values["verified"] = verified
        with self.writing() as connection:
            _one_at_a_time(connection)
            if crew_id != "same":
                _check_crew(connection, crew_id)
                values["crew_id"] = crew_id
            known = connection.execute(
                select(receivers.c.serial).where(receivers.c.serial == serial)
            ).first()
            if known is None:
                connection.execute(
                    insert(receivers).values(**{"note": "", **values}, serial=serial)
                )
            elif values:
                connection.execute(
                    update(receivers).where(receivers.c.serial == serial).values(**values)
                )
            return _receiver(connection, serial)

    def touch_receiver(self, serial: str) -> Receiver:
        """A receiver was heard from just now; one that was not known becomes so.

        Its `last_contact` is right to a minute: one that posts every second writes it once.
        """
        with suppress(UnknownError):
            known = self.receiver(serial)
            now = self.clock()
            if known.last_contact is not None and now - known.last_contact <= _SEEN_EVERY:
                return known
        self.put_receiver(serial)
        with self.writing() as connection:
            connection.execute(
                update(receivers)
                .where(receivers.c.serial == serial)
                .values(last_contact=self.clock())
            )
            return _receiver(connection, serial)

    def receiver(self, serial: str) -> Receiver:
        """A receiver.

        Raises
        ------
        UnknownError
        """
        with self.reading() as connection:
            return _receiver(connection, serial)

    def list_receivers(self) -> list[Receiver]:
        """All receivers by serial."""
        with self.reading() as connection:
            rows = connection.execute(select(*_RECEIVER_COLUMNS).order_by(receivers.c.serial))
            return [Receiver(**row) for row in rows.mappings()]


def _digest(secret: str) -> str:
    # Secrets are 256 random bits, so a plain hash can't be guessed back.
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


@cache
def _hasher() -> PasswordHasher:
    try:
        from argon2 import PasswordHasher
    except ModuleNotFoundError as error:
        raise StoreError(
            "what hashes passwords is not installed.",
            remedy="Install it with: pip install 'asfound[desk]'",
        ) from error
    # The library's own defaults are RFC 9106's second recommended option.
    return PasswordHasher()


@cache
def _nobody() -> str:
    return _hasher().hash(secrets.token_urlsafe(16))


def _hash_password(password: str, *, check: bool = True) -> str:
    if check and not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise InputError(
            f"a password has {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} characters.",
            where="password",
            remedy="Four words that don't belong together make a good one.",
        )
    try:
        return _hasher().hash(password)
    except UnicodeEncodeError as error:
        raise InputError(
            "the password holds half a character.", where="password", remedy="Type it again."
        ) from error


def _password_holds(hashed: str, password: str) -> bool:
    from argon2.exceptions import Argon2Error, InvalidHashError

    if len(password) > LONGEST_PASSWORD:
        return False
    try:
        return bool(_hasher().verify(hashed, password))
    except (Argon2Error, InvalidHashError, UnicodeEncodeError):
        return False


def _one_at_a_time(connection: Connection) -> None:
    """Whoever checks first and writes then must do so alone; SQLite's writers always are."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql("LOCK TABLE users, receivers IN SHARE ROW EXCLUSIVE MODE")


def _keep_an_administrator(connection: Connection) -> None:
    left = connection.execute(
        select(users.c.id).where(users.c.role == "administrator", users.c.active).limit(1)
    )
    if left.first() is None:
        raise ConflictError(
            "no administrator would be left.",
            where="role",
            remedy="Make someone else administrator first.",
        )


def _log_out(connection: Connection, user_id: int) -> None:
    connection.execute(delete(web_sessions).where(web_sessions.c.user_id == user_id))


def _check_role(role: str) -> str:
    if role not in ROLES:
        raise InputError(
            f"{role!r} is no role.", where="role", remedy=f"Known: {', '.join(ROLES)}."
        )
    return role


def _check_crew(connection: Connection, crew_id: Any) -> None:
    if crew_id is None:
        return
    if connection.execute(select(crews.c.id).where(crews.c.id == crew_id)).first() is None:
        raise UnknownError(f"there is no crew {crew_id}.", where="crew", remedy="Make it first.")


def _found(row: RowMapping | None, what: str, name: object) -> RowMapping:
    if row is None:
        raise UnknownError(f"there is no {what} {name}.", where=what, remedy="See the list.")
    return row


def _user(connection: Connection, user_id: int) -> User:
    query = select(*_USER_COLUMNS).where(users.c.id == user_id)
    return User(**_found(connection.execute(query).mappings().first(), "user", user_id))


def _receiver(connection: Connection, serial: str) -> Receiver:
    query = select(*_RECEIVER_COLUMNS).where(receivers.c.serial == serial)
    return Receiver(**_found(connection.execute(query).mappings().first(), "receiver", serial))


def _taken(what: str, name: str) -> ConflictError:
    return ConflictError(
        f"there is a {what} {name!r} already.", where="name", remedy="Choose another name."
    )

"""Ed25519 signatures (RFC 8032); keys and signatures are base64 text."""

from __future__ import annotations

import base64
import binascii
import os
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from asfound.errors import InputError


class SigningKey:
    """A private key; it never shows itself."""

    def __init__(self, private: Ed25519PrivateKey) -> None:
        self._private = private
        raw = private.public_key().public_bytes_raw()
        self.public = base64.b64encode(raw).decode()

    def __repr__(self) -> str:
        return f"SigningKey(public={self.public!r})"

    def sign(self, data: bytes) -> str:
        """Signature of `data`, base64."""
        return base64.b64encode(self.sign_raw(data)).decode()

    def sign_raw(self, data: bytes) -> bytes:
        """Signature of `data`, 64 bytes."""
        return self._private.sign(data)

    @property
    def public_pem(self) -> bytes:
        """The public key as a PEM file."""
        return self._private.public_key().public_bytes(
            serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
        )


def new_key() -> SigningKey:
    """A new key."""
    return SigningKey(Ed25519PrivateKey.generate())


def read_key(path: Path, *, create: bool = False) -> SigningKey:
    """The private key in a PEM file.

    Parameters
    ----------
    create : bool
        Make a new key, readable by its owner only, where there is no file.

    Raises
    ------
    InputError
        If the file holds no Ed25519 key, or can't be read or made.
    """
    try:
        if create and not path.exists():
            _write_new(path)
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"the key can't be read: {error.strerror or error}.",
            where=str(path),
            remedy="Check the name and the permissions.",
        ) from error
    try:
        private = serialization.load_pem_private_key(data, password=None)
    except (ValueError, TypeError) as error:
        raise InputError(
            "no private key in PEM form without a password.",
            where=str(path),
            remedy="Name another file; a new one is made where there is none.",
        ) from error
    if not isinstance(private, Ed25519PrivateKey):
        raise InputError(
            "the key is not of the kind Ed25519.",
            where=str(path),
            remedy="Name another file; a new one is made where there is none.",
        )
    return SigningKey(private)


def _write_new(path: Path) -> None:
    data = Ed25519PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        # A link fails where a rename would replace a key that someone else just made.
        try:
            os.link(temporary, path)
        except FileExistsError:
            pass
        except OSError:
            if not path.exists():
                temporary.rename(path)
    finally:
        temporary.unlink(missing_ok=True)


def public_key_text(data: bytes, *, where: str = "") -> str:
    """The public key in a PEM file, or in base64 text, as base64 text.

    Raises
    ------
    InputError
        If it is no Ed25519 key.
    """
    try:
        if data.lstrip().startswith(b"-----"):
            key = serialization.load_pem_public_key(data)
            if not isinstance(key, Ed25519PublicKey):
                raise ValueError("another kind of key")
            return base64.b64encode(key.public_bytes_raw()).decode()
        raw = base64.b64decode(data.strip(), validate=True)
        Ed25519PublicKey.from_public_bytes(raw)
        return base64.b64encode(raw).decode()
    except (ValueError, binascii.Error) as error:
        raise InputError(
            "no Ed25519 public key.",
            where=where,
            remedy="Give the PEM file, or the key's 44 characters of base64.",
        ) from error


def signature_holds(public: str, signature: str, data: bytes) -> bool:
    """Whether `signature` over `data` was made with the private half of `public`."""
    try:
        key = Ed25519PublicKey.from_public_bytes(base64.b64decode(public, validate=True))
        raw = base64.b64decode(signature, validate=True)
        # Base64 that is not in its one canonical form counts as changed.
        if base64.b64encode(raw).decode() != signature:
            return False
        key.verify(raw, data)
    except (InvalidSignature, ValueError, binascii.Error):
        return False
    return True

"""A seal signed with a shop's key: Ed25519 (RFC 8032), by the library `cryptography`.

The signature is over the bytes of ``seal.json`` and lies beside it as 64 plain bytes, so that other programs can check
it too (``openssl pkeyutl -verify -rawin``). The key that it is to be checked with must come by another way than the
papers do.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from surfscan.core.errors import RefusedError, UsageError

__all__ = [
    "SIGNATURE",
    "key_name",
    "load_private_key",
    "load_public_key",
    "make_key",
    "sign",
    "signature_holds",
]

SIGNATURE = "seal.sig"
_MOST_KEY = 10_000
_RAW = (serialization.Encoding.Raw, serialization.PublicFormat.Raw)


def make_key(path: Path, *, phrase: str = "") -> tuple[Path, str]:
    """Make a key pair: the private key, which only its owner may read, and beside it the public one, ``.pub``.

    Parameters
    ----------
    path : Path
        Neither it nor its public twin may be there: no key is ever written over.
    phrase : str
        Protects the private key; none when empty.

    Returns
    -------
    public : Path
    name : str
        The public key, 64 hex digits.

    Raises
    ------
    RefusedError
        When a file is there already, or can't be written.
    """
    key = Ed25519PrivateKey.generate()
    shut = serialization.BestAvailableEncryption(phrase.encode()) if phrase else serialization.NoEncryption()
    private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, shut)
    public = key.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    twin = path.with_name(path.name + ".pub")
    made: list[Path] = []
    try:
        for place, data, mode in ((path, private, 0o600), (twin, public, 0o644)):
            handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
            made.append(place)
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
    except OSError as error:
        for place in made:
            with suppress(OSError):
                place.unlink()
        raise RefusedError(
            f"The key {path} can't be made",
            found=f"{error.filename or path}: {error.strerror or error}",
            allowed="a new name, in a folder that you may write",
            cure="choose another name; papers signed with a key that is gone can't be signed again",
        ) from None
    return twin, key_name(key.public_key())


def load_private_key(path: Path, *, phrase: Callable[[], str] = lambda: "") -> Ed25519PrivateKey:
    """Read a private key.

    Parameters
    ----------
    path : Path
    phrase : callable
        Asked for the phrase where the key has one.

    Raises
    ------
    RefusedError
        No such file, no key of this kind, a wrong phrase, or a file that others may read.
    """
    data = _read(path)
    if os.name == "posix" and path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise RefusedError(
            f"The key {path} can be read by others",
            found=f"mode {stat.S_IMODE(path.stat().st_mode):o}",
            allowed="600: its owner alone",
            cure=f"run chmod 600 {path}; if others may have read it, make a new key and tell who has the old one",
        )
    try:
        try:
            key = serialization.load_pem_private_key(data, None)
        except TypeError:  # it has a phrase
            key = serialization.load_pem_private_key(data, phrase().encode())
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise _no_key(path, "no private key, or another phrase") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise _no_key(path, "a key of another kind")
    return key


def load_public_key(given: str) -> Ed25519PublicKey:
    """A public key from its 64 hex digits, or from its file.

    Raises
    ------
    RefusedError
        No such file, or no public key of this kind.
    """
    word = given.strip().replace(" ", "").lower()
    if len(word) == 64 and set(word) <= set("0123456789abcdef"):
        return Ed25519PublicKey.from_public_bytes(bytes.fromhex(word))
    path = Path(given)
    data = _read(path)
    if b"PRIVATE" in data:
        raise UsageError(
            f"{path} is a private key",
            found="the key that signs",
            allowed="the public key, which ends in .pub, or its 64 digits",
            cure="give the public key, and keep the private one where it is",
        )
    try:
        key = serialization.load_pem_public_key(data)
    except (ValueError, UnsupportedAlgorithm):
        raise _no_key(path, "no public key") from None
    if not isinstance(key, Ed25519PublicKey):
        raise _no_key(path, "a key of another kind")
    return key


def key_name(key: Ed25519PublicKey) -> str:
    """The public key itself, 64 hex digits."""
    return key.public_bytes(*_RAW).hex()


def sign(key: Ed25519PrivateKey, data: bytes) -> bytes:
    """The signature, 64 bytes (RFC 8032, section 5.1.6)."""
    return key.sign(data)


def signature_holds(key: Ed25519PublicKey, signature: bytes, data: bytes) -> bool:
    """Whether a signature of these bytes was made with this key (RFC 8032, section 5.1.7)."""
    try:
        key.verify(signature, data)
    except InvalidSignature:
        return False
    return True


def _read(path: Path) -> bytes:
    try:
        with open(path, "rb") as file:
            return file.read(_MOST_KEY)
    except OSError as error:
        raise RefusedError(
            f"The key {path} can't be read",
            found=error.strerror or str(error),
            allowed="a key that surfscan key made, or the 64 digits of a public one",
            cure="check the path and its rights",
        ) from None


def _no_key(path: Path, found: str) -> RefusedError:
    return RefusedError(
        f"{path} is not the key that is needed here",
        found=found,
        allowed="an Ed25519 key in PEM, as surfscan key makes it",
        cure="make one with surfscan key --out FILE",
    )

"""A request that an outside service may countersign with its time (RFC 3161), and its answer read.

Only a digest is in the request: the service learns nothing of the panel. Nothing is sent from here.
"""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from rfc3161_client import (
    HashAlgorithm,
    TimestampRequestBuilder,
    TimeStampResponse,
    VerificationError,
    VerifierBuilder,
    decode_timestamp_response,
)

from surfscan.core.errors import RefusedError

__all__ = ["ANSWER", "REQUEST", "Stamp", "make_request", "read_stamp"]

REQUEST, ANSWER = "seal.tsq", "seal.tsr"
_SHA256 = "2.16.840.1.101.3.4.2.1"
_MOST = 100_000


@dataclass(frozen=True, slots=True)
class Stamp:
    """What an answer says: the time, whose, and what is wrong with it ("" when nothing is)."""

    time: str
    wrong: str
    checked: bool


def make_request(data: bytes) -> bytes:
    """The request for a time stamp over the SHA-256 of `data`; with no nonce, so that it is the same each time."""
    built = TimestampRequestBuilder().data(data).hash_algorithm(HashAlgorithm.SHA256)
    return bytes(built.nonce(nonce=False).cert_request(cert_request=True).build().as_bytes())


def read_stamp(answer: bytes, data: bytes, *, authority: Path | None) -> Stamp:
    """Read a service's answer, and hold it against the bytes that it is over.

    Parameters
    ----------
    answer : bytes
    data : bytes
    authority : Path or None
        Certificate (PEM) of the service's root; without it the answer's own signature is not checked.

    Raises
    ------
    RefusedError
        When the certificate can't be read.
    """
    roots = [] if authority is None else _certificates(authority)
    try:
        response = decode_timestamp_response(answer[:_MOST])
        info = response.tst_info
        time = info.gen_time.isoformat()
        same = info.message_imprint.hash_algorithm.dotted_string == _SHA256
        same &= hmac.compare_digest(info.message_imprint.message, hashlib.sha256(data).digest())
    except (ValueError, AttributeError, TypeError, IndexError, VerificationError):
        return Stamp("", f"{ANSWER} is no granted time stamp (RFC 3161)", False)
    if not same:
        return Stamp(time, f"{ANSWER} is a time stamp of something else", False)
    if not roots:
        return Stamp(time, "", False)
    if _is_signed(response, data, roots):
        return Stamp(time, "", True)
    said = f"{ANSWER} was not signed by that authority: its certificate leads to another root, or to none"
    return Stamp(time, said, False)


def _is_signed(response: TimeStampResponse, data: bytes, roots: list[x509.Certificate]) -> bool:
    try:
        return bool(VerifierBuilder(roots=roots).build().verify_message(response, data))
    except (VerificationError, ValueError):
        return False


def _certificates(path: Path) -> list[x509.Certificate]:
    try:
        return x509.load_pem_x509_certificates(path.read_bytes()[: 10 * _MOST])
    except (OSError, ValueError) as error:
        raise RefusedError(
            f"{path} is no certificate that can be read",
            found=str(error)[:100],
            allowed="certificates in PEM",
            cure="take the root certificate from the time stamp service's own site",
        ) from None

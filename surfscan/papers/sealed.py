"""Papers with their seal, whatever they are about, and the seal signed; `verifying` holds them against each other."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from surfscan.core.errors import UsageError
from surfscan.papers.blocks import Block
from surfscan.papers.html import make_html
from surfscan.papers.particulars import Particulars
from surfscan.papers.pdf import PAPER_SIZES, make_pdf
from surfscan.papers.seal import Seal, whole_sum
from surfscan.papers.signing import SIGNATURE, key_name, sign
from surfscan.papers.stamping import ANSWER, REQUEST, make_request
from surfscan.report.units import UNIT_NAMES
from surfscan.version import VERSION

__all__ = ["SIGNED", "UNSIGNED", "Signing", "sealed_papers", "see_setting"]

SIGNED = (SIGNATURE, REQUEST, ANSWER)
"""Files that may lie beside a seal."""


@dataclass(frozen=True, slots=True)
class Signing:
    """How a seal is signed: with which key, and whether a request for a time stamp is laid beside it."""

    key: Ed25519PrivateKey | None = None
    stamp: bool = False

    def named(self, given: Particulars) -> Particulars:
        """The particulars with the key that signs, so that the papers name it."""
        return given if self.key is None else replace(given, key=key_name(self.key.public_key()))

    def files(self, seal: bytes) -> dict[str, bytes]:
        """The signature of a seal, and the request for a time stamp: over the signature where there is one."""
        signed = {} if self.key is None else {SIGNATURE: sign(self.key, seal)}
        if self.stamp:
            signed[REQUEST] = make_request(signed.get(SIGNATURE, seal))
        return signed


UNSIGNED = Signing()


def see_setting(particulars: Particulars, paper: str) -> None:
    """Refuse a paper size or a unit that is not known (UsageError)."""
    cure = "choose one of these"
    if paper not in PAPER_SIZES:
        raise UsageError(
            "The paper size is not known", found=paper, allowed=", ".join(PAPER_SIZES), cure=cure
        )
    if particulars.units not in UNIT_NAMES:
        raise UsageError(
            "The unit is not known", found=particulars.units, allowed=", ".join(UNIT_NAMES), cure=cure
        )


def sealed_papers(  # house: what a paper is set from, each once
    blocks: Sequence[Block],
    *,
    title: str,
    seal: Seal,
    stem: str,
    given: Particulars,
    paper: str,
    created: datetime,
) -> dict[str, bytes]:
    """Lay the blocks out and seal them.

    Parameters
    ----------
    blocks : sequence of Block
    title : str
    seal : Seal
        Of what the papers are about.
    stem : str
        Name of the files without their ending.
    given : Particulars
    paper : {"a4", "letter"}
    created : datetime
        With its time zone.

    Returns
    -------
    dict of name to bytes
        The HTML, the PDF and ``seal.json``.
    """
    document: dict[str, Any] = {
        "schema": 1,
        "surfscan": VERSION,
        "digest": seal.digest,
        "parts": seal.parts,
        "report": {**asdict(given), "paper": paper, "created": created.isoformat()},
    }
    files = {
        f"{stem}.html": make_html(blocks, title=title, digest=seal.digest).encode(),
        f"{stem}.pdf": make_pdf(blocks, title=title, digest=seal.digest, paper=paper, created=created),
    }
    document["papers"] = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    document["seal"] = whole_sum(document)
    return {
        **files,
        "seal.json": (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode(),
    }

"""The certificate of a station: a known tilt was measured, and how it came out, as TOML (`surfscan prove`)."""

from __future__ import annotations

import datetime
import math
import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError

from surfscan.core.errors import RefusedError
from surfscan.job.sheet_base import Point3, Table, as_tuples
from surfscan.job.sheet_board import BoardSheet
from surfscan.job.sheet_errors import retell
from surfscan.version import VERSION

__all__ = ["PROOF_DAYS", "ProofFile", "proof_text", "read_proof", "same_board"]

PROOF_DAYS = 30
"""A proof counts for so many days: by then a stand has been knocked or a board taken down (our choice, no source)."""

SAME_MM, SAME_AXIS = 0.5, 0.002
"""A sheet's board is the proved one when its place, period and axes are the same within this."""

_BYTES = 20_000
_Share = Annotated[float, Field(gt=0.0, le=100.0)]
_Tilt = Annotated[float, Field(gt=0.0, le=1000.0)]


class ProofFile(Table):
    """A whole certificate."""

    schema_: int = Field(alias="schema", ge=1, le=1, description="1")
    date: datetime.date = Field(description="day of the proof, such as 2026-05-04")
    ratio: _Share = Field(description="measured tilt over the known one")
    u95: Annotated[float, Field(ge=0.0, le=100.0)] = Field(
        description="half width of the ratio's 95 % interval"
    )
    known_mrad: _Tilt = Field(description="tilt by the gauge, mrad")
    measured_mrad: _Tilt = Field(description="tilt by the photos, mrad")
    centre_mm: Point3 = Field(description="the board's place in both sheets, mm")
    across: Point3 = Field(description="its direction to the right")
    up: Point3 = Field(description="its direction upwards")
    period_mm: _Tilt = Field(description="its stripe period, mm")
    versions: str = Field(default="", max_length=200, description="program that wrote it")

    @property
    def holds(self) -> bool:
        """Whether the known tilt lies in the measured one's interval."""
        return abs(self.ratio - 1) <= self.u95

    def days(self, today: datetime.date) -> int:
        """Age, days; negative for a date that is still to come."""
        return (today - self.date).days


def proof_text(proof: ProofFile) -> str:
    """The certificate as TOML."""

    def three(row: tuple[float, float, float]) -> str:
        return "[" + ", ".join(f"{v:.8g}" for v in row) + "]"

    return "\n".join(
        [
            "# A tilt of a mirror tile that a feeler gauge makes, as this set-up measures it: surfscan prove.",
            "schema = 1",
            f"date = {proof.date.isoformat()}",
            f"ratio = {proof.ratio:.5f}        # measured over known; the proof {'holds' if proof.holds else 'FAILS'}",
            f"u95 = {proof.u95:.5f}",
            f"known_mrad = {proof.known_mrad:.5f}",
            f"measured_mrad = {proof.measured_mrad:.5f}",
            f"centre_mm = {three(proof.centre_mm)}",
            f"across = {three(proof.across)}",
            f"up = {three(proof.up)}",
            f"period_mm = {proof.period_mm:.8g}",
            f'versions = "surfscan {VERSION}"',
            "",
        ]
    )


def read_proof(path: Path) -> ProofFile:
    """Read and check a certificate.

    Raises
    ------
    RefusedError
        Not there, too long, no TOML, or keys that are missing, unknown or out of range.
    """
    allowed, cure = (
        "a file as surfscan prove writes it",
        "make it with surfscan prove, and put it into the job folder",
    )
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= _BYTES else b""
    except OSError:
        raise RefusedError(
            "board.proof names a file that is not there", found=f"no {path}", allowed=allowed, cure=cure
        ) from None
    if size > _BYTES:
        raise RefusedError(
            f"{path.name} is too long for a proof", found=f"{size} bytes", allowed=allowed, cure=cure
        )
    try:
        return ProofFile.model_validate(as_tuples(tomllib.loads(data.decode("utf-8-sig"))))
    except ValidationError as error:
        told = retell(error, ProofFile)
        raise RefusedError(
            f"{path.name}: {told.what}", found=told.found, allowed=told.allowed, cure=told.cure
        ) from None
    except (RecursionError, ValueError) as error:
        raise RefusedError(
            f"{path.name} is no valid TOML", found=str(error), allowed=allowed, cure=cure
        ) from None


def same_board(proof: ProofFile, board: BoardSheet) -> bool:
    """Whether a sheet's board stands where the proved one stood."""
    if board.centre_mm is None or board.across is None or board.up is None or board.period_mm is None:
        return False
    return (
        math.dist(proof.centre_mm, board.centre_mm) <= SAME_MM
        and math.dist(proof.across, board.across) <= SAME_AXIS
        and math.dist(proof.up, board.up) <= SAME_AXIS
        and abs(proof.period_mm - board.period_mm) <= 1e-3 * board.period_mm
    )

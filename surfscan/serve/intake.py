"""An upload on its way to a job folder: counted while it comes, never whole in memory, nothing half kept."""

from __future__ import annotations

import asyncio
import shutil
import tempfile
from collections.abc import AsyncGenerator
from pathlib import Path

from starlette.datastructures import FormData, UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser
from starlette.requests import Request

from surfscan.core.errors import RefusedError
from surfscan.fleet.identity import SHEET
from surfscan.job.uploads import MOST_FILE_MB, MOST_PHOTOS, MOST_TOTAL_MB, name_in_job
from surfscan.results.record_keys import check_job_number

__all__ = ["TooLargeError", "receive"]

_MB = 1_000_000
_OTHERS = 10  # files besides photos: the sheet, a lens file, reference photos
_LONGEST_S = 600.0


class TooLargeError(Exception):
    """More was sent than is taken."""


class _Parser(MultiPartParser):
    """Files go to disk from their first 64 kB on: many uploads at once take little memory."""

    spool_max_size = 65_536


async def receive(request: Request, incoming: Path) -> tuple[Path, str]:
    """Receive one job.

    Parameters
    ----------
    request : Request
        ``multipart/form-data`` with `panel.toml` and the photos as files, under whatever field; and `job_number`.
    incoming : Path
        Where folders of uploads are made.

    Returns
    -------
    Path, str
        A folder of its own, and the job number.

    Raises
    ------
    TooLargeError
        Past a limit.
    RefusedError, UsageError
        For what is no job.
    TimeoutError
        When it does not come to an end.
    """
    if not request.headers.get("content-type", "").startswith("multipart/form-data"):
        raise RefusedError(
            "That is no upload",
            found=request.headers.get("content-type", "no content type"),
            allowed="multipart/form-data with panel.toml and the photos",
            cure="see /docs",
        )
    stated = request.headers.get("content-length", "0")
    if stated.isdigit() and int(stated) > MOST_TOTAL_MB * _MB:
        raise TooLargeError(f"a job may have up to {MOST_TOTAL_MB} MB")
    parser = _Parser(
        request.headers, _counted(request), max_files=MOST_PHOTOS + _OTHERS, max_fields=5, max_part_size=1000
    )
    try:
        async with asyncio.timeout(_LONGEST_S):
            form = await parser.parse()
    except MultiPartException as error:
        if "Too many" in error.message or "maximum size" in error.message:
            raise TooLargeError(error.message) from None
        raise RefusedError(
            "The upload can't be read",
            found=error.message,
            allowed="multipart/form-data, whole",
            cure="send it again",
        ) from None
    try:
        return await asyncio.to_thread(_keep, form, incoming)
    finally:
        await form.close()


async def _counted(request: Request) -> AsyncGenerator[bytes, None]:
    """The body, until it is too long."""
    total = 0
    async for chunk in request.stream():
        total += len(chunk)
        if total > MOST_TOTAL_MB * _MB:
            raise TooLargeError(f"a job may have up to {MOST_TOTAL_MB} MB")
        yield chunk


def _keep(form: FormData, incoming: Path) -> tuple[Path, str]:
    """Write the files into a new folder."""
    number = form.get("job_number", "")
    if not isinstance(number, str):
        raise RefusedError(
            "job_number is a file",
            found="a file",
            allowed="digits as a plain field",
            cure="send it as a field",
        )
    check_job_number(number)
    folder = Path(tempfile.mkdtemp(dir=incoming))
    try:
        for _, part in form.multi_items():
            if isinstance(part, UploadFile):
                _keep_file(part, folder)
        if not (folder / SHEET).is_file():
            raise RefusedError(
                "The job has no panel.toml",
                found="files without it",
                allowed="panel.toml and the photos that it names",
                cure="send the sheet too, as a file called panel.toml",
            )
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return folder, number


def _keep_file(part: UploadFile, folder: Path) -> None:
    name = name_in_job(part.filename or "")
    if (part.size or 0) > MOST_FILE_MB * _MB:
        raise TooLargeError(f"{name}: a file may have up to {MOST_FILE_MB} MB")
    path = folder / name
    if path.exists():
        raise RefusedError(
            f"{name} was sent twice", found="two files", allowed="each file once", cure="send it once"
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as out:
        shutil.copyfileobj(part.file, out, 1 << 20)

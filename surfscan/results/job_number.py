"""What a job number is: digits, so that no number plate and no name gets into a record by habit."""

from __future__ import annotations

import re

from surfscan.core.errors import UsageError

__all__ = ["JOB_NUMBER", "check_job_number"]

JOB_NUMBER = re.compile(r"[0-9][0-9./-]{0,31}")


def check_job_number(job: str) -> None:
    """Refuse a job number that could be a plate or a name (UsageError); "" is allowed."""
    if job and not JOB_NUMBER.fullmatch(job):
        raise UsageError(
            "A job number has digits only",
            found=repr(job),
            allowed="digits, with . / - between them, at most 32: the record holds no plates and no names",
            cure="give the shop's own number of the job",
        )

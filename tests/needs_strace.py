"""A mark for tests whose faults are put in by strace: skipped where it can't be had, and never where it must be."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

import pytest

__all__ = ["needs_strace"]


def _traces() -> bool:
    """Whether strace may trace here; where `.ci/run` has found that it may, a test without it fails."""
    if sys.platform != "linux":
        return False
    if "SURFSCAN_NEED_STRACE" in os.environ:
        return True
    if shutil.which("strace") is None:
        return False
    return not subprocess.run(
        ["strace", "-o", os.devnull, "true"], capture_output=True, check=False
    ).returncode


needs_strace = pytest.mark.skipif(not _traces(), reason="strace is not installed, or may not trace here")

"""Parts that a plain installation leaves out, the extras of `pyproject.toml`: loaded, or told how to get them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any

from surfscan.core.errors import RefusedError

__all__ = ["EXTRAS", "missing_part", "needing", "wanted"]

EXTRAS = {
    "streamlit": "page",
    "plotly": "page",
    "segno": "page",
    "reportlab": "papers",
    "cryptography": "papers",
    "rfc3161_client": "papers",
    "SurfaceTopography": "files",
    "trimesh": "files",
    "pyarrow": "table",
    "distributed": "cluster",
    "fsspec": "cluster",
    "shewhart": "shop",
    "starlette": "serve",
    "uvicorn": "serve",
}
"""Library, and the extra that brings it."""

_PARTS = {
    "page": "The page in a browser",
    "papers": "A paper with its seal, or a print as PDF,",
    "files": "A file of x3p, sdf or a mesh",
    "table": "A table as Parquet",
    "cluster": "A run on a cluster, or at an address,",
    "shop": "What the shop learns",
    "serve": "The service",
}


def missing_part(error: ModuleNotFoundError) -> RefusedError | None:
    """What to say about a library that is not there; None when it belongs to no extra."""
    library = (error.name or "").partition(".")[0]
    extra = EXTRAS.get(library)
    if extra is None:
        return None
    return RefusedError(
        f"{_PARTS[extra]} needs a part of surfscan that is not installed",
        found=f"no {library}",
        allowed=f"surfscan with its extra `{extra}`, or with all of them",
        cure=f"install it: pip install 'surfscan[{extra}]', or 'surfscan[all]'; in a clone pip install '.[{extra}]'",
    )


@contextmanager
def needing() -> Iterator[None]:
    """A block that loads a library of an extra (RefusedError that names the extra when it is missing)."""
    try:
        yield
    except ModuleNotFoundError as error:
        told = missing_part(error)
        if told is None:
            raise
        raise told from None


def wanted(module: str) -> Any:
    """A module of an extra (RefusedError that names the extra when it is missing)."""
    with needing():
        return import_module(module)

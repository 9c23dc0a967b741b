"""Dask distributed as the executor: a scheduler somewhere, or a cluster of processes on this computer."""

from __future__ import annotations

import logging
from concurrent.futures import Executor
from typing import Any

from surfscan.core.errors import RefusedError
from surfscan.core.parts import wanted
from surfscan.version import VERSION

__all__ = ["LOCAL", "Cluster"]

LOCAL = "local"
_PATIENCE_S = 30


class Cluster:
    """A connection to a scheduler.

    Parameters
    ----------
    address : str
        ``tcp://host:8786``, or "local".
    workers : int, optional
        Processes of a local cluster; all cores by default.

    Attributes
    ----------
    executor : concurrent.futures.Executor
    workers : int
        Jobs that the cluster runs at once now.

    Raises
    ------
    RefusedError
        When Dask is not installed, nothing answers, no worker comes, or one has another version of surfscan.
    """

    def __init__(self, address: str, *, workers: int | None = None) -> None:
        distributed = wanted("distributed")
        for name in ("distributed", "asyncio", "tornado.application"):  # what is lost is told in words, once
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self._local: Any = None
        if address == LOCAL:
            self._local = distributed.LocalCluster(
                n_workers=workers, threads_per_worker=1, memory_limit=0, dashboard_address=None
            )
        try:
            self._client = distributed.Client(self._local or address, timeout=_PATIENCE_S)
            self._client.wait_for_workers(1, timeout=_PATIENCE_S)
        except (OSError, TimeoutError, ValueError) as error:
            raise RefusedError(
                f"The scheduler {address} can't be used",
                found=str(error) or f"no worker within {_PATIENCE_S} s",
                allowed="a Dask scheduler with at least one worker: dask scheduler, and dask worker ADDRESS",
                cure="check the address, and that scheduler and workers run",
            ) from None
        self._see_versions()
        self.executor: Executor = self._client.get_executor(pure=False)

    @property
    def workers(self) -> int:
        return max(1, sum(self._client.nthreads().values()))

    def _see_versions(self) -> None:
        """One version everywhere: the version is a part of what a result is known by."""
        for worker, found in self._client.run(_ready, on_error="return").items():
            if found != VERSION:
                raise RefusedError(
                    f"The worker {worker} has another surfscan",
                    found=str(found) if isinstance(found, str) else f"none ({found})",
                    allowed=f"surfscan {VERSION}, as here",
                    cure="install the same version there",
                )

    def close(self) -> None:
        """Let go of the scheduler; end a local cluster."""
        self._client.close()
        if self._local is not None:
            self._local.close()


def _ready() -> str:
    """On a worker: begin to load what checks need, and say which version this is."""
    from surfscan.fleet.one import keeper_here

    keeper_here().start()
    return VERSION

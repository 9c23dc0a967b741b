"""Many jobs at once, on this computer or on a cluster, by one path: an executor that is never given too much.

The executor is a pool of threads here, each waiting for its job's process, or Dask distributed's. Jobs are handed
out as others finish, so that a million of them take no more memory than a hundred.
"""

from __future__ import annotations

import os
import queue
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import CancelledError, Executor, Future, ThreadPoolExecutor
from typing import Any

from surfscan.core.errors import RefusedError
from surfscan.fleet.apart import Keeper, Progress
from surfscan.fleet.find import Job
from surfscan.fleet.one import Done, Orders, give_up, run_job

__all__ = ["Pool", "cores"]

_COUNT_S = 10.0  # between looks at how many workers a cluster has
_AHEAD = 4  # jobs handed out for each worker: one runs, the others are on their way


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Pool:
    """Runs jobs; use it in a ``with`` block, or close it.

    Parameters
    ----------
    orders : Orders
    workers : int, optional
        Jobs at once; all cores by default. On a cluster it has its own number.
    scheduler : str, optional
        Address of a Dask scheduler, or "local" for a cluster of processes on this computer.
    load : sequence of str
        Modules that jobs find loaded on this computer, besides those of a check.
    """

    def __init__(
        self,
        orders: Orders,
        *,
        workers: int | None = None,
        scheduler: str | None = None,
        load: Sequence[str] = (),
    ) -> None:
        self.orders = orders
        self._keeper: Keeper | None = None
        self._cluster: Any = None
        self._executor: Executor
        if scheduler is None:
            self.workers = workers or cores()
            record = () if orders.record is None else ("surfscan.results.record",)
            self._keeper = Keeper(one_thread=self.workers > 1, load=("surfscan.fleet.work", *record, *load))
            self._keeper.start()  # it loads while the one who asks looks for jobs
            self._executor = ThreadPoolExecutor(self.workers, thread_name_prefix="job")
        else:
            from surfscan.fleet.cluster import Cluster

            self._cluster = Cluster(scheduler, workers=workers)
            self._executor, self.workers = self._cluster.executor, self._cluster.workers
        self._counted = time.monotonic()

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def submit(
        self, job: Job, *, orders: Orders | None = None, progress: Progress | None = None
    ) -> Future[Done]:
        """Hand out one job, under orders of its own where they are given; `progress` is told only on this computer."""
        orders = orders or self.orders
        if self._keeper is None:
            return self._executor.submit(run_job, job, orders)
        return self._executor.submit(run_job, job, orders, keeper=self._keeper, progress=progress)

    def run(self, jobs: Iterable[Job]) -> Iterator[Done]:
        """Do all jobs; each is told when it is done, in the order in which that happens."""
        finished: queue.SimpleQueue[Future[Done]] = queue.SimpleQueue()
        out: dict[Future[Done], Job] = {}
        coming = iter(jobs)
        try:
            while True:
                for job in coming:
                    future = self.submit(job)
                    out[future] = job
                    future.add_done_callback(finished.put)
                    if len(out) >= _AHEAD * self.workers:
                        break
                if not out:
                    return
                self._count()
                future = finished.get()
                yield self._told(future, out[future])
                del out[future]
        finally:
            for future in out:
                future.cancel()

    def _count(self) -> None:
        """A cluster grows and shrinks while it works."""
        if self._cluster is not None and time.monotonic() - self._counted > _COUNT_S:
            self.workers, self._counted = self._cluster.workers, time.monotonic()

    def _told(self, future: Future[Done], job: Job) -> Done:
        try:
            return future.result()
        except CancelledError:
            raise RefusedError(
                "The connection to the scheduler was lost",
                found=f"{job.name} without an answer",
                allowed="a scheduler that stays until the end",
                cure="start it again, then run the same command: what is finished is not done again",
            ) from None
        except Exception as error:
            if type(error).__name__ != "KilledWorker":  # Dask's, which is not loaded where it is not used
                raise
            return give_up(
                job, self.orders, "crashed", "several workers of the cluster ended while they did it"
            )

    def close(self) -> None:
        """End what runs, without a trace of it, and let go of the workers."""
        if self._keeper is not None:
            self._keeper.close()
            self._executor.shutdown(wait=True, cancel_futures=True)
        if self._cluster is not None:
            self._cluster.close()
            self._cluster = None

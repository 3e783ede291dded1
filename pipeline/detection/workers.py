"""Work shared among processes: spawned ones of this machine, or those of a dask.distributed cluster.

What is shared are pure functions of frames. Results come in the order of their jobs, so that whoever takes them cannot
tell how many processes there were.
"""

import logging
import multiprocessing
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from itertools import islice
from typing import Any, TypeVar

from pipeline.config.settings import ComputeSettings
from pipeline.errors import RefusedError

LOG = logging.getLogger("noonmark")
ANSWER_S = 30  # ours: long enough for a scheduler that is just being started
AHEAD = 1  # jobs that wait beyond those under way: each holds its frames in memory
Job = TypeVar("Job")
Result = TypeVar("Result")


class Pool:
    """Processes that are started when there is more than one job, and end with the block that made the pool."""

    def __init__(self, settings: ComputeSettings) -> None:
        self.settings = settings
        self.executor: Executor | None = None
        self._close: list[Callable[[], Any]] = []

    def each(self, function: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterator[Result]:
        """The function's result for each job, in order; a job whose process died is done in this one."""
        if not self._may_share():  # each job's frames are let go before the next one's are read
            yield from map(function, jobs)
            return
        rest = iter(jobs)
        first = list(islice(rest, 2))
        if len(first) < 2 or not self._is_wanted():
            yield from map(function, first)
            return
        under_way: deque[tuple[Job, Future[Result] | None]] = deque((job, self._begun(function, job)) for job in first)
        while under_way:
            for job in islice(rest, self.settings.workers + AHEAD + 1 - len(under_way)):
                under_way.append((job, self._begun(function, job)))
            job, future = under_way.popleft()
            yield self._ended(function, job, future)

    def _begun(self, function: Callable[[Job], Result], job: Job) -> "Future[Result] | None":
        if self.executor is None:
            return None
        try:
            return self.executor.submit(function, job)
        except RuntimeError:  # the pool broke meanwhile
            return None

    def _ended(self, function: Callable[[Job], Result], job: Job, future: "Future[Result] | None") -> Result:
        if future is None:
            return function(job)
        try:
            return future.result()
        except Exception as error:
            # Killed, out of memory, out of reach: this process does it, and a fault of the job itself shows here.
            LOG.warning("a worker failed (%s: %s); its work is done in this process", type(error).__name__, error)
            return function(job)

    def _may_share(self) -> bool:
        return self.executor is not None or bool(self.settings.cluster) or self.settings.workers > 1

    def _is_wanted(self) -> bool:
        """Whether there are processes to share with; they are started here."""
        if self.executor is not None:
            return True
        if self.settings.cluster:
            self.executor = self._of_cluster()
        elif self.settings.workers > 1:
            # Never forked: a process that used Polars holds locks that its fork would wait for.
            context = multiprocessing.get_context("spawn")
            pool = ProcessPoolExecutor(self.settings.workers, mp_context=context)
            self._close.append(lambda: pool.shutdown(wait=True, cancel_futures=True))
            self.executor = pool
        return self.executor is not None

    def _of_cluster(self) -> Executor:
        try:
            from distributed import Client
        except ImportError as error:
            raise RefusedError(
                "a cluster needs a library that is not installed", "[compute] cluster", "install noonmark[cluster]"
            ) from error
        try:
            client = Client(self.settings.cluster, timeout=ANSWER_S)
        except (OSError, TimeoutError) as error:
            raise RefusedError(
                f"the cluster does not answer ({error})", self.settings.cluster, "start it, or empty [compute] cluster"
            ) from error
        self._close.append(client.close)
        executor: Executor = client.get_executor()
        return executor

    def close(self) -> None:
        """Ends the processes, or leaves the cluster."""
        self.executor = None
        while self._close:
            self._close.pop()()


@contextmanager
def pool(settings: ComputeSettings) -> Iterator[Pool]:
    """A pool for the block."""
    made = Pool(settings)
    try:
        yield made
    finally:
        made.close()

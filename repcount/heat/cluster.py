"""Jobs on Dask: local worker processes by default, or the workers of a scheduler that is there.

Only as many jobs are handed out as there are workers, so that a worker that dies takes one job with
it and no other is blamed. What was handed to a dead worker Dask gives to another by itself; if that
goes wrong too, the job is tried once more and then has failed, with its reason.
"""

from __future__ import annotations

import os
import queue
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from repcount.errors import RepcountError
from repcount.heat.jobs import Answer, Job, do

if TYPE_CHECKING:
    from distributed import Client

# How long to wait for a first worker, and for another after the last one is gone.
PATIENCE_S = 60.0
TRIES = 2


@dataclass(frozen=True)
class Where:
    """Where jobs run: on the workers of `scheduler` (its address), or on so many `workers` of this
    machine (None: one for each core), each on so many `cores` of its own (None: an equal share).
    `send`: videos are sent, not opened by their path."""

    scheduler: str | None = None
    workers: int | None = None
    cores: int | None = None
    send: bool = False


# (job, fraction done, seconds left), and (job, answer)
OnProgress = Callable[[Job, float, float], None]
OnAnswer = Callable[[Job, Answer], None]


def run_jobs(
    jobs: Sequence[Job],
    where: Where,
    on_answer: OnAnswer,
    on_progress: OnProgress | None = None,
) -> None:
    """Run all jobs; `on_answer` is called in this thread as each is done, in no fixed order, and
    may raise to stop the rest. Ctrl-C stops the workers' processes too.

    Raises RepcountError where Dask is missing, the scheduler cannot be reached, or no worker is
    left.
    """
    if not jobs:
        return
    topic = f"repcount-heat-{uuid.uuid4().hex}"
    by_key = {job.tracks_key: job for job in jobs}
    with _client(where) as client:

        def heard(event: tuple[float, Any]) -> None:
            _, news = event
            job = by_key.get(news["key"])
            if job is not None and on_progress is not None:
                on_progress(job, news["fraction"], news["left_s"])

        client.subscribe_topic(topic, heard)
        try:
            _hand_out(client, jobs, where, topic, on_answer)
        finally:
            with suppress(Exception):
                client.unsubscribe_topic(topic)


def _hand_out(
    client: Client, jobs: Sequence[Job], where: Where, topic: str, on_answer: OnAnswer
) -> None:
    waiting = deque((job, TRIES) for job in jobs)
    running: dict[Any, tuple[Job, int]] = {}
    done: queue.Queue[Any] = queue.Queue()
    seen_s = time.monotonic()
    try:
        while waiting or running:
            slots = sum(client.nthreads().values())
            if slots:
                seen_s = time.monotonic()
            elif time.monotonic() - seen_s > PATIENCE_S:
                raise RepcountError(
                    f"the scheduler has had no worker for {PATIENCE_S:.0f} s; start workers and "
                    "run the same command again: what is done is kept."
                )
            while waiting and len(running) < slots:
                job, tries = waiting.popleft()
                future = client.submit(
                    on_worker, _sent(job, where), topic, _cores(where), pure=False
                )
                running[future] = (job, tries)
                future.add_done_callback(done.put)
            with suppress(queue.Empty):
                future = done.get(timeout=0.5)
                job, tries = running.pop(future)
                answer = _answer(future)
                future.release()
                if answer is None and tries > 1:
                    waiting.append((job, tries - 1))
                else:
                    on_answer(job, answer or Answer({}, {}, {"": _LOST}))
    finally:
        if running:
            client.cancel(list(running), force=True)


_LOST = "the workers that read it died, twice; analyze the video by itself, or use other workers."


def _answer(future: Any) -> Answer | None:
    """What a job gave; None if it was lost with its worker."""
    from distributed import KilledWorker
    from distributed.client import FutureCancelledError

    try:
        answer = future.result()
    except (KilledWorker, FutureCancelledError):
        return None
    except Exception as error:
        what = " ".join(f"{type(error).__name__}: {error}".split())[:300]
        return Answer({}, {}, {"": f"something went wrong on the worker ({what})."})
    assert isinstance(answer, Answer)
    return answer


def _sent(job: Job, where: Where) -> Job:
    """The job as it is handed out: with the film where videos are sent."""
    from dataclasses import replace
    from pathlib import Path

    if not where.send or job.tracks:
        return job
    return replace(job, film=Path(job.video).read_bytes())


def _cores(where: Where) -> int:
    """How many cores each local worker has for itself; 0 for the workers of a scheduler, who share
    theirs as they like."""
    if where.scheduler is not None:
        return 0
    there = len(os.sched_getaffinity(0))
    return min(there, where.cores or max(1, there // (where.workers or there)))


def on_worker(job: Job, topic: str, cores: int) -> Answer:
    """What runs on a worker, in one of its threads, on so many `cores` of its own (0: any)."""
    from distributed import get_worker

    worker = get_worker()
    sent_s = 0.0

    def progress(fraction: float, left_s: float) -> None:
        nonlocal sent_s
        if time.monotonic() - sent_s >= 0.5:
            sent_s = time.monotonic()
            news = {"key": job.tracks_key, "fraction": fraction, "left_s": left_s}
            worker.log_event(topic, news)

    def stopped() -> bool:
        return str(worker.status) not in ("Status.running", "Status.paused")

    return do(job, progress, stopped, _cpus(int(worker.name), cores) if cores else ())


def _cpus(number: int, cores: int) -> list[int]:
    """The cores of the local worker with this number, side by side so that they do not take each
    other's time."""
    there = sorted(os.sched_getaffinity(0))
    return [there[(number * cores + k) % len(there)] for k in range(cores)]


@contextmanager
def _client(where: Where) -> Iterator[Client]:
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise RepcountError(
            "reading the videos of a heat needs Dask; install it with "
            "`pip install 'repcount[heat]'`, or read the videos one by one."
        ) from error
    quiet = {
        "distributed.logging.distributed": "critical",
        "distributed.worker.use-file-locking": False,
        "distributed.scheduler.worker-saturation": 1.0,
    }
    with dask.config.set(quiet):
        if where.scheduler is None:
            count = where.workers or len(os.sched_getaffinity(0))
            with (
                LocalCluster(
                    n_workers=count,
                    threads_per_worker=1,
                    processes=True,
                    memory_limit=0,
                    dashboard_address="127.0.0.1:0",  # any free port: others may run here too
                    host="127.0.0.1",
                    silence_logs=50,
                ) as cluster,
                Client(cluster) as client,
            ):
                yield client
            return
        try:
            client = Client(where.scheduler, timeout=5)
        except (OSError, ValueError, TypeError) as error:
            raise RepcountError(
                f"{where.scheduler}: no Dask scheduler answers there; give the address that it "
                "prints when it starts (tcp://HOST:8786)."
            ) from error
        with client:
            yield client

"""Running independent jobs in processes of this machine, with progress back and a stop flag out.

One process a job: HiGHS keeps its own threads quiet, and a job that does not answer the stop can be killed.
"""

from __future__ import annotations

import multiprocessing
import queue
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from typing import Any, TypeVar

from optimizer.progress import Report, Stop

Answer = TypeVar("Answer")
Job = Callable[[Report, Stop], Answer]

POLL_S = 0.1

_messages: Any = None
_stopped: Any = None


def run_jobs(jobs: Sequence[Job[Answer]], workers: int, report: Report, stop: Stop) -> tuple[Answer, ...]:
    """The answers of picklable jobs, in their order; at most `workers` run at once, 1 runs them in this process.

    An error of a job is raised here, after the others have ended.
    """
    if workers <= 1 or len(jobs) <= 1:
        return tuple(job(report, stop) for job in jobs)
    context = multiprocessing.get_context("forkserver")
    messages, flag = context.Queue(), context.Event()
    with ProcessPoolExecutor(workers, context, _receive, (messages, flag)) as pool:
        futures = [pool.submit(_run, job) for job in jobs]
        _watch(futures, messages, flag, report, stop)
        return tuple(future.result() for future in futures)


def _receive(messages: Any, flag: Any) -> None:
    """Set up a worker: its channel back, its stop flag; Ctrl-C is the main process's to answer."""
    global _messages, _stopped
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _messages, _stopped = messages, flag


def _run(job: Job[Answer]) -> Answer:
    return job(_messages.put, _stopped.is_set)


def _watch(futures: list[Future[Any]], messages: Any, flag: Any, report: Report, stop: Stop) -> None:
    """Pass messages on and the stop down until every job has ended."""
    while not all(future.done() for future in futures):
        if stop():
            flag.set()
        _pass_on(messages, report, POLL_S)
    _pass_on(messages, report, 0.0)


def _pass_on(messages: Any, report: Report, wait_s: float) -> None:
    try:
        report(messages.get(timeout=wait_s) if wait_s else messages.get_nowait())
        while True:
            report(messages.get_nowait())
    except queue.Empty:
        return

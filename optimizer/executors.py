"""Running independent jobs in processes of this machine, with progress back and a stop flag out.

One process a job: HiGHS keeps its own threads quiet, and a job that does not answer the stop can be killed.
"""

from __future__ import annotations

import multiprocessing
import os
import queue
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import forkserver, resource_tracker
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
    _start_server()
    context = multiprocessing.get_context("forkserver")
    messages, flag = context.Queue(), context.Event()
    with ProcessPoolExecutor(workers, context, _receive, (messages, flag)) as pool:
        futures = [pool.submit(_run, job) for job in jobs]
        _watch(futures, messages, flag, report, stop)
        return tuple(future.result() for future in futures)


def _start_server() -> None:
    """Start the server that forks workers, deaf to the SIGTERM that a service or `timeout` sends to all processes."""
    resource_tracker.ensure_running()  # it would lift the mask
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    try:
        forkserver.ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)


def _receive(messages: Any, flag: Any) -> None:
    """Set up a worker: its channel back, its stop flag; a signal to all processes is the main one's to answer."""
    global _messages, _stopped
    os.setsid()
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})  # the pool ends its workers by it
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

"""A signal to all processes of a study is a wish to stop, answered by the main one: nothing of a worker is lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from optimizer.cli import _stopping
from optimizer.executors import run_jobs
from optimizer.progress import Progress, Report, Stop

ROOT = Path(__file__).resolve().parents[2]


def until_stopped(report: Report, stop: Stop) -> str:
    report(Progress("at work"))
    while not stop():
        time.sleep(0.01)
    return "kept"


def two_jobs() -> None:
    """Run in a process of its own: tells when a job is at work, then what both hand back."""
    with _stopping() as stopped:
        told = run_jobs([until_stopped] * 2, 2, lambda progress: print(progress.stage, flush=True), stopped.is_set)
    print(*told, flush=True)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_to_all_processes_keeps_every_answer(number: int) -> None:
    code = "from tests.optimizer.test_executors import two_jobs; two_jobs()"
    with subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, text=True, start_new_session=True
    ) as running:
        assert running.stdout is not None
        assert [running.stdout.readline() for _ in range(2)] == ["at work\n"] * 2
        os.killpg(running.pid, number)
        assert running.communicate(timeout=60)[0] == "kept kept\n"

"""What every benchmark's command shares: one thread, machine and versions, Markdown on screen and file."""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def one_thread() -> None:
    """Keep numerical libraries to one thread, here and in processes begun later; call it before numpy is loaded."""
    os.environ.update(dict.fromkeys(THREADS, "1"))


def told(lines: Iterable[str], table: Path | None) -> None:
    """Print each line as it comes, and write it into a file as well."""
    with table.open("w", encoding="utf-8") if table else Path("/dev/null").open("w") as file:
        for line in lines:
            for out in (file, sys.stdout):
                print(line, file=out, flush=True)


def machine(packages: Sequence[str]) -> str:
    """Date, machine and versions: of the figures that follow."""
    versions = ", ".join(f"{name} {version(name)}" for name in packages)
    return (
        f"{datetime.now(UTC):%Y-%m-%d}, {_processor()}, one thread; Python {platform.python_version()}, {versions}.\n"
    )


def head(*names: str) -> Iterator[str]:
    """Head of a table in Markdown."""
    yield row(*names)
    yield "|".join(["", *(" --- " for _ in names), ""])


def row(*parts: str) -> str:
    """A row of a table in Markdown."""
    return "| " + " | ".join(parts) + " |"


def listed(text: str) -> list[str]:
    """The parts between commas."""
    return [name for name in text.split(",") if name]


def _processor() -> str:
    info = Path("/proc/cpuinfo")
    lines = info.read_text(encoding="utf-8").splitlines() if info.exists() else []
    return next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), platform.machine())

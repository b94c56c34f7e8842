"""The rules of the house: imports run one way, types hold, the top level stays as designed."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("geometry", "hydraulics", "optimizer")
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "tests", "scenarios", *PACKAGES}
LONGEST_MODULE = 350


def run(*command: str) -> None:
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def modules() -> list[Path]:
    return [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]


def test_imports_run_one_way() -> None:
    script = "from importlinter.cli import lint_imports_command; lint_imports_command()"
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_ruff_is_content() -> None:
    run("ruff", "check", "--no-cache", ".")


def test_types_hold() -> None:
    run("mypy", "--cache-dir", "/dev/null")


def test_the_top_level_holds_what_the_design_names() -> None:
    ignored = set((ROOT / ".gitignore").read_text(encoding="utf-8").split())
    tops = {path.name for path in ROOT.iterdir() if not path.name.startswith((".", "__"))}
    assert {top for top in tops if f"/{top}/" not in ignored} == TOP_LEVEL


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_has_one_subject(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert ast.get_docstring(ast.parse(text)), f"{path} says nothing of itself"
    assert len(text.splitlines()) <= LONGEST_MODULE

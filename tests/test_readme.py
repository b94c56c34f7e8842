"""README can be followed to the letter: its commands run, its files and options exist."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from geometry.site_file import RECORDS
from optimizer import catalogue_file, scenario_file
from optimizer.fields import Table
from optimizer.publish import study_text
from optimizer.scenario import read_scenario
from tests.optimizer.drawn_study import example_study, refused_alternative

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)


def test_ci_runs_the_test_command_of_the_readme() -> None:
    assert BLOCKS[1].strip() in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_first_paragraph_is_the_job() -> None:
    paragraph = README.split("\n\n")[1]
    assert paragraph.startswith("Haarline designs") and "\n" not in paragraph


def test_the_short_commands_run(tmp_path: Path) -> None:
    for command in BLOCKS[2].strip().splitlines():
        program, *words = command.replace(" out/", f" {tmp_path}/").split()
        assert program == ".venv/bin/haarline"
        done = subprocess.run(
            [sys.executable, "-c", "from optimizer.cli import main; main()", *words],
            cwd=ROOT, env={**os.environ, "COLUMNS": "160"}, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr


def test_every_key_of_the_files_is_told() -> None:
    told = set(re.findall(r"`(\w+)`", README))
    tables = [v for m in (catalogue_file, scenario_file) for v in vars(m).values() if isinstance(v, type)]
    for record in [*RECORDS.values(), *(table for table in tables if issubclass(table, Table))]:
        assert set(record.model_fields) <= told, record


def test_every_member_of_an_alternative_is_told() -> None:
    told = set(re.findall(r"`(\w+)`", README))
    study = json.loads(study_text(example_study(refused_alternative())))
    assert {*study, *study["alternatives"][0]} - {"schema_version"} <= told


def test_links_lead_somewhere() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target


@pytest.mark.parametrize("name", ["first_look", "two_schedules", "hill_camp", "orchard_fair", "windy_court"])
def test_demo_scenarios_say_that_they_are_invented(name: str) -> None:
    assert read_scenario(ROOT / "scenarios" / name).name == name
    for file in ("scenario.toml", "site.geojson", "../catalogue.toml"):
        assert "nvented" in (ROOT / "scenarios" / name / file).read_text(encoding="utf-8"), file

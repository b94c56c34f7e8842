"""Whatever stands in the three files, reading ends in a scenario or in InputFaults, never in another exception."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.errors import InputFaults
from optimizer.scenario import Scenario, read_scenario
from tests.optimizer.scenario_files import EQUIPPED, SCENARIO, SERVICE, SITE, swapped, yard

RUN_RULES = 'run_longest = "60 m"\nrun_nozzles_most = 9\ncircuit_balance = 0.3\nsetback'
ASKED = """circuits = { least = 1, most = 2 }
zone_valves = "field"
objective = "cost"
least_coverage = 0.9
budget = 900
cost_of = "both\"
"""
WHOLE = SCENARIO.replace("setback", RUN_RULES).replace("circuits = 2\n", ASKED) + SERVICE

# the folder is shared: every example writes all three files anew
shared_folder = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True
)

odd_values = st.sampled_from(
    ["nan", "-1", "0", "1e308", "inf", "true", "[]", "{}", '""', '"0 bar"', '"1e300 bar"', '"x"', '"12 bar"', "[[1]]",
     "1979-05-27", '"\\u0000"', "9223372036854775807", '["a", 1]', '{ low = "1 bar" }', '"99999999 L/min"',
     '"45 s"', '"0 L"', '"1e300 W"', "{ least = 3, most = 1 }"]
)  # fmt: skip
odd_json: st.SearchStrategy[Any] = st.sampled_from(
    [None, True, -1, 0, 1e308, 1e15, "", "x", "all", [], {}, [[1]], [1, 2], [[0, 0], [0, 0]], [[[0, 0], [1, 1]]], "\0"]
)


def _read(folder: Path) -> None:
    """Reads; what comes back must be a scenario, or faults that are whole sentences."""
    try:
        assert isinstance(read_scenario(folder), Scenario)
    except InputFaults as error:
        assert error.faults
        for fault in error.faults:
            assert fault.file and fault.problem and fault.mend, fault


def _value_lines(text: str) -> list[int]:
    return [i for i, line in enumerate(text.splitlines()) if " = " in line]


@shared_folder
@given(st.sampled_from(["scenario", "catalogue"]), st.data())
def test_one_value_of_a_toml_file_is_odd(tmp_path: Path, which: str, data: st.DataObject) -> None:
    text = WHOLE if which == "scenario" else EQUIPPED
    lines = text.splitlines()
    i = data.draw(st.sampled_from(_value_lines(text)))
    lines[i] = lines[i].split(" = ")[0] + " = " + data.draw(odd_values)
    _read(yard(tmp_path, **{which: "\n".join(lines)}))


@shared_folder
@given(st.sampled_from(["scenario", "catalogue"]), st.integers(0, 10_000), st.integers(1, 6))
def test_lines_of_a_toml_file_are_lost_or_doubled(tmp_path: Path, which: str, seed: int, times: int) -> None:
    lines = (WHOLE if which == "scenario" else EQUIPPED).splitlines()
    draw = random.Random(seed)
    for _ in range(times):
        i = draw.randrange(len(lines))
        lines[i : i + 1] = draw.choice([[], [lines[i]] * 2, [lines[draw.randrange(len(lines))]]])
    _read(yard(tmp_path, **{which: "\n".join(lines)}))


@shared_folder
@given(st.sampled_from(["scenario", "catalogue", "site"]), st.integers(0, 10_000), st.integers(1, 8))
def test_characters_of_a_file_are_changed(tmp_path: Path, which: str, seed: int, times: int) -> None:
    text = {"scenario": WHOLE, "catalogue": EQUIPPED, "site": json.dumps(SITE)}[which]
    draw = random.Random(seed)
    letters = list(text)
    for _ in range(times):
        letters[draw.randrange(len(letters))] = draw.choice('0159-."[]{}=,\n aeé')
    _read(yard(tmp_path, **{which: "".join(letters)}))


@shared_folder
@given(st.binary(max_size=300), st.sampled_from(["scenario.toml", "shop.toml", "site.geojson"]))
def test_a_file_is_any_bytes(tmp_path: Path, content: bytes, file: str) -> None:
    (yard(tmp_path) / file).write_bytes(content)
    _read(tmp_path)


@shared_folder
@given(odd_json, st.integers(0, 10_000))
def test_one_value_of_the_site_is_odd(tmp_path: Path, odd: Any, seed: int) -> None:
    site = json.loads(json.dumps(SITE))
    draw = random.Random(seed)
    holder: Any = site
    while True:
        key = draw.choice(list(holder) if isinstance(holder, dict) else range(len(holder)))
        inner = holder[key]
        if not isinstance(inner, dict | list) or not inner or draw.random() < 0.2:
            break
        holder = inner
    holder[key] = odd
    _read(yard(tmp_path, site=json.dumps(site)))


@pytest.mark.parametrize("name", ["", "\\u0000", "a/../../b", ".", "/dev/null", "x" * 390])
def test_catalogue_at_an_odd_place(name: str, tmp_path: Path) -> None:
    _read(yard(tmp_path, scenario=swapped(SCENARIO, '"shop.toml"', f'"{name}"')))


def test_nesting_without_end(tmp_path: Path) -> None:
    _read(yard(tmp_path, scenario="a = " + "[" * 100_000))
    _read(yard(tmp_path, site="[" * 100_000))

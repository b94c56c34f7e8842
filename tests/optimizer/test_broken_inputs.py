"""Slips that broken files showed when fed by command line: each is a fault in words, none a defect or a design."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, faults, site_with, swapped, yard


@pytest.mark.parametrize("bore", ["4 m", "4.5 in"])
def test_millimetres_written_as_another_unit(bore: str, tmp_path: Path) -> None:
    (found,) = faults(yard(tmp_path, catalogue=swapped(CATALOGUE, 'bore = "4 mm"', f'bore = "{bore}"')))
    assert found == (
        f'shop.toml: tubing[0].bore: is too large (found "{bore}"); '
        'write a bore above 0 mm and up to 100 mm in mm, cm or in, like "4 mm"'
    )


def test_a_number_of_more_digits_than_python_reads(tmp_path: Path) -> None:
    text = swapped(SCENARIO, "reserve = 0.15", "reserve = 1" + 5000 * "0")
    (found,) = faults(yard(tmp_path, scenario=text))
    assert found.startswith("scenario.toml: is not valid TOML: Exceeds the limit")


def test_a_ground_that_is_nearly_known(tmp_path: Path) -> None:
    (found,) = faults(yard(tmp_path, site=site_with(3, ground="lwan")))
    assert 'has no price (found "lwan"); did you mean "lawn"?' in found


def test_control_characters_reach_no_screen_and_no_plan(tmp_path: Path) -> None:
    """An escape would colour a terminal; XML 1.0, section 2.2, has no place for it at all."""
    text = swapped(SCENARIO, 'title = "An invented yard"', 'title = "An \\u001b[31minvented yard"')
    found = faults(yard(tmp_path, scenario=text, site=site_with(1, name="Lawn\x1b[2J")))
    assert [fault.split(": ")[:2] for fault in found] == [
        ["scenario.toml", "title"],
        ["site.geojson", 'features[1] (zone "Lawn\\u001b[2J").properties.name'],
    ]
    assert "holds a control character" in found[1]
    assert not any("\x1b" in fault for fault in found)

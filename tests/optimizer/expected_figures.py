"""Compare a study with the scenario's expected.toml: figures of our own, pinned with a reason, no validation."""

from __future__ import annotations

import tomllib
from pathlib import Path

from optimizer.study import Study


def differences(folder: Path, study: Study) -> list[str]:
    """Sentences on every figure outside its expected range (low, high), status or option that differs."""
    expected = tomllib.loads((folder / "expected.toml").read_text(encoding="utf-8"))
    found = {a.option: a for a in study.alternatives}
    wrong = [f"no alternative {want['option']}" for want in expected["alternative"] if want["option"] not in found]
    for want in expected["alternative"]:
        alternative = found.get(want["option"])
        for key, value in want.items():
            is_value = getattr(alternative, key, None)
            if isinstance(value, list):
                fits = is_value is not None and value[0] <= is_value <= value[1]
            else:
                fits = is_value == value
            if not fits:
                wrong.append(f"{want['option']}: {key} is {is_value}, expected {value}")
    return wrong

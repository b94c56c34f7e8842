"""Compiled code is kept as long as no module of its kernel changes, and no longer."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from hydraulics.compiled import kernel

PROGRAM = """
import sys
sys.path.insert(0, sys.argv[1])
import user
print(user.twice(4.0), user.LAWS.is_compiled())
"""
LENT = "from held import jit\n\n@jit\ndef once(x):\n    return {factor} * x\n"
HELD = """
from pathlib import Path
from hydraulics.compiled import kernel
room = Path(__file__).parent
LAWS = kernel(room, [room / "lent.py", room / "user.py"])
jit = LAWS.jit
"""
USER = "from held import LAWS, jit\nfrom lent import once\n\n@jit\ndef twice(x):\n    return once(x) + once(x)\n"


def run(room: Path, factor: float) -> str:
    (room / "lent.py").write_text(LENT.format(factor=factor))
    command = [sys.executable, "-c", PROGRAM, str(room)]
    return subprocess.run(command, capture_output=True, text=True, check=True, cwd=Path.cwd()).stdout


def test_a_change_of_a_lent_function_is_noticed(tmp_path: Path) -> None:
    """numba's own cache looks at the calling module only, and would go on with the old factor."""
    (tmp_path / "held.py").write_text(HELD)
    (tmp_path / "user.py").write_text(USER)
    assert run(tmp_path, 1.0) == "8.0 True\n"
    assert run(tmp_path, 3.0) == "24.0 True\n"


def test_folders_of_older_sources_go(tmp_path: Path) -> None:
    source = tmp_path / "laws.py"
    source.write_text("A = 1\n")
    first = kernel(tmp_path, [source]).folder
    first.mkdir(parents=True)
    assert kernel(tmp_path, [source]).folder == first and first.exists()
    source.write_text("A = 2\n")
    assert kernel(tmp_path, [source]).folder != first and not first.exists()

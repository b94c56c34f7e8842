"""The EPANET 2.3 engine in process: its shared library, as the package `epyt` carries it for every Python.

Only the calls that `epanet_reference` makes, named as in the toolkit's manual. The package itself is not imported:
it would bring its plotting along.
"""

from __future__ import annotations

import ctypes
import importlib.util
import os
import sys
from pathlib import Path

LPS, DW, JUNCTION, RESERVOIR, PIPE, PRV = 5, 1, 0, 1, 1, 3
DIAMETER, ROUGHNESS, MINORLOSS, INITSETTING = 0, 2, 3, 5
ELEVATION, EMITTER, HEAD, PRESSURE, EMITTERFLOW, FLOW = 0, 3, 10, 11, 29, 8
TRIALS, ACCURACY, EMITEXPON, SP_VISCOS, EMITBACKFLOW = 0, 1, 3, 13, 24
ITERATIONS, RELATIVEERROR = 0, 1
INITFLOW = 10  # begin from the engine's own first flows, and save nothing
FIRST_ERROR = 100  # lower codes are warnings: of negative pressure, which a closed nozzle's raised junction has

_PLACES = {"linux": "glnx/libepanet2.so", "darwin": "mac/libepanet2.dylib", "win32": "win/epanet2.dll"}


class EngineError(Exception):
    """A call that the engine refused."""


def _library() -> ctypes.CDLL:
    found = importlib.util.find_spec("epyt")
    assert found is not None and found.submodule_search_locations, "install the extra dev: it brings epyt"
    return ctypes.CDLL(str(Path(found.submodule_search_locations[0]) / "libraries" / _PLACES[sys.platform]))


_ENGINE = _library()


class Project:
    """One network of the engine, to be closed after use."""

    def __init__(self, units: int, headloss: int) -> None:
        self._handle = ctypes.c_void_p()
        self._check("createproject", _ENGINE.EN_createproject(ctypes.byref(self._handle)))
        self.call("init", os.devnull.encode(), b"", units, headloss)

    @classmethod
    def opened(cls, file: Path) -> Project:
        """The network of an input file; its report goes beside it."""
        project = cls.__new__(cls)
        project._handle = ctypes.c_void_p()
        cls._check("createproject", _ENGINE.EN_createproject(ctypes.byref(project._handle)))
        project.call("open", str(file).encode(), str(file.with_suffix(".rpt")).encode(), b"")
        return project

    def close(self) -> None:
        _ENGINE.EN_deleteproject(self._handle)

    def call(self, name: str, *arguments: bytes | int | float) -> None:
        """A call without an answer."""
        self._check(name, getattr(_ENGINE, f"EN_{name}")(self._handle, *map(_passed, arguments)))

    def integer(self, name: str, *arguments: bytes | int | float) -> int:
        """A call that answers with a whole number."""
        answer = ctypes.c_int()
        self._check(name, getattr(_ENGINE, f"EN_{name}")(self._handle, *map(_passed, arguments), ctypes.byref(answer)))
        return answer.value

    def number(self, name: str, *arguments: bytes | int | float) -> float:
        """A call that answers with a number."""
        answer = ctypes.c_double()
        self._check(name, getattr(_ENGINE, f"EN_{name}")(self._handle, *map(_passed, arguments), ctypes.byref(answer)))
        return answer.value

    @staticmethod
    def _check(name: str, code: int) -> None:
        if code >= FIRST_ERROR:
            text = ctypes.create_string_buffer(256)
            _ENGINE.EN_geterror(code, text, 255)
            raise EngineError(f"EN_{name}: {text.value.decode(errors='replace')}")


def _passed(argument: bytes | int | float) -> ctypes.c_char_p | ctypes.c_int | ctypes.c_double:
    if isinstance(argument, bytes):
        return ctypes.c_char_p(argument)
    return ctypes.c_int(argument) if isinstance(argument, int) else ctypes.c_double(argument)

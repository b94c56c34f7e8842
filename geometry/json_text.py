"""JSON text to a document, or the one fault that keeps it from being read."""

from __future__ import annotations

import json
from typing import Any, NoReturn

from geometry.errors import Fault, SiteFaults

MAX_BYTES = 50_000_000


def load_object(text: bytes | str) -> dict[str, Any]:
    """The JSON object that `text` holds. Raises SiteFaults on size, encoding, syntax, or another value.

    Numbers too long for a float become infinite and are refused where they stand.
    """
    if len(text) > MAX_BYTES:
        limit = f"is larger than {MAX_BYTES // 10**6} MB"
        _refuse(f"{len(text) / 1e6:.0f} MB", limit, "leave out what the design does not need")
    try:
        plain = text.decode("utf-8-sig") if isinstance(text, bytes) else text
    except UnicodeDecodeError as error:
        _refuse("", f"is not UTF-8 text at byte {error.start}", "save it as UTF-8")
    if not plain.strip():
        _refuse("", "is empty", "start from the site file of one of the demo scenarios")
    try:
        document = json.loads(plain, parse_int=_integer)
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        _refuse("", f"is not JSON at {place}: {error.msg}", "mend it there or export it again")
    except RecursionError:
        _refuse("", "nests lists too deeply", "export it again")
    if not isinstance(document, dict):
        _refuse(type(document).__name__, "is no JSON object", 'start with {"type": "FeatureCollection", ...')
    return document


def _integer(digits: str) -> int | float:
    return int(digits) if len(digits) < 16 else float(digits)


def _refuse(value: str, problem: str, mend: str) -> NoReturn:
    raise SiteFaults([Fault("file", value, problem, mend)])

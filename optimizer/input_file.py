"""What the readers of TOML files share: size, syntax, version, and pydantic's findings in our own words.

Edge code. Everything here collects faults instead of raising the first one.
"""

from __future__ import annotations

import difflib
import json
import os
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from optimizer.errors import InputFault
from optimizer.fields import Table

MAX_BYTES = 50_000_000
SCHEMA_VERSION = 1

Model = TypeVar("Model", bound=Table)
Loc = tuple[str | int, ...]  # place of an item in a file: keys, and positions in lists from 0

_PROBLEMS = {
    "missing": "is missing",
    "float_type": "is not a number",
    "int_type": "is not a whole number",
    "int_from_float": "is not a whole number",
    "string_type": "is not text",
    "list_type": "is not a list",
    "dict_type": "is not a table",
    "model_type": "is not a table",
    "finite_number": "is not a finite number",
    "greater_than": "is too small",
    "greater_than_equal": "is too small",
    "less_than": "is too large",
    "less_than_equal": "is too large",
    "string_pattern_mismatch": "has characters that a name may not have",
    "string_too_short": "is empty",
    "string_too_long": "is too long",
    "too_short": "has too few entries",
    "literal_error": "is not a known word",
}


def nearest(word: object, known: Iterable[str]) -> str:
    """Mend for a name that is not known: the nearest known one, or all of them."""
    names = sorted(set(known))
    close = difflib.get_close_matches(str(word), names, n=1)
    if close:
        return f'did you mean "{close[0]}"?'
    return f"known here: {', '.join(names)}" if names else "none is defined"


def shown(value: object) -> str:
    """A value as a reader of the file would write it, at most 60 characters."""
    text = repr(value) if isinstance(value, float) else json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def read_bytes(path: Path, file: str) -> tuple[bytes, list[InputFault]]:
    """The file's content, or the fault that keeps it from being read; its size is looked at first."""
    try:
        if not path.is_file():
            problem = "is not a file" if path.exists() else "does not exist"
            return b"", [InputFault(file, "", "", problem, f"put it at {os.path.normpath(path)}")]
        size = path.stat().st_size
        if size > MAX_BYTES:
            limit = f"more than {MAX_BYTES // 10**6} MB"
            mend = "leave out what the design does not need"
            return b"", [InputFault(file, "", f"{size / 1e6:.0f} MB", f"is too large: {limit}", mend)]
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        return b"", [InputFault(file, "", str(error), "cannot be read", "check its name and its permissions")]
    if not content.strip():
        return b"", [InputFault(file, "", "", "is empty", "start from a file of one of the demo scenarios")]
    return content, []


def read_toml(path: Path, file: str) -> TomlReader:
    """A reader over the file's top level; with faults and nothing to read where the file is no good."""
    content, faults = read_bytes(path, file)
    if faults:
        return TomlReader(file, {}, faults)
    try:
        raw = tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        problem = f"is not UTF-8 text at byte {error.start}"
        return TomlReader(file, {}, [InputFault(file, "", "", problem, "save it as UTF-8")])
    except (ValueError, RecursionError) as error:  # wrong syntax, or a number of over 4300 digits
        problem = f"is not valid TOML: {error}"
        return TomlReader(file, {}, [InputFault(file, "", "", problem, "correct it at the place named")])
    return _of_known_version(TomlReader(file, raw, []))


def _of_known_version(reader: TomlReader) -> TomlReader:
    """The reader, with a fault where the version is missing; with nothing to read where it is not known."""
    version = reader.raw.get("schema_version")
    if version is None:
        reader.fault(("schema_version",), "is missing", f"write schema_version = {SCHEMA_VERSION}")
        return reader
    if type(version) is int and version == SCHEMA_VERSION:
        return reader
    if type(version) is int and version > SCHEMA_VERSION:
        problem, mend = f"is newer than {SCHEMA_VERSION}, which this program reads", "update the program"
    else:
        problem, mend = "is no version of this file", f"write schema_version = {SCHEMA_VERSION}"
    return TomlReader(reader.file, {}, [reader.fault_at(("schema_version",), problem, mend)])


class TomlReader:
    """Reads a file's tables one by one, so that a fault in one hides none in the others; gathers `faults`."""

    def __init__(self, file: str, raw: Mapping[str, Any], faults: Iterable[InputFault]) -> None:
        self.file = file
        self.raw = raw
        self.faults = list(faults)

    def fault_at(self, loc: Loc, problem: str, mend: str) -> InputFault:
        """A fault at a place of the file; the value shown is what the file has there."""
        return InputFault(self.file, path_of(loc), _shown_at(self.raw, loc), problem, mend)

    def fault(self, loc: Loc, problem: str, mend: str) -> None:
        """Notes a fault at a place of the file."""
        self.faults.append(self.fault_at(loc, problem, mend))

    def head(self, model: type[Model], sections: Iterable[str]) -> Model | None:
        """The keys outside the sections; keys of the top level that are neither are noted as unknown."""
        known = {*sections, "schema_version"}
        rest = {key: value for key, value in self.raw.items() if key not in known}
        return self._checked(model, rest, (), known) if self.raw else None

    def one(self, key: str, model: type[Model]) -> Model | None:
        """The table [key], which must be there."""
        if key in self.raw:
            return self._checked(model, self.raw[key], (key,))
        if self.raw:
            self.fault((key,), "is missing", f"add a table [{key}]")
        return None

    def maybe(self, key: str, model: type[Model]) -> Model | None:
        """The table [key], which may be left out."""
        return self._checked(model, self.raw[key], (key,)) if key in self.raw else None

    def many(self, key: str, model: type[Model], *, at_least: int = 1) -> list[tuple[Loc, Model]]:
        """(place, table) of each sound [[key]]; their names must differ."""
        tables = self.raw.get(key, [])
        if not isinstance(tables, list):
            self.fault((key,), "is not a list of tables", f"write [[{key}]] in double brackets")
            return []
        if self.raw and len(tables) < at_least:
            self.fault((key,), "is missing", f"add a table [[{key}]]")
        self._note_duplicates(key, tables)
        checked = [((key, i), self._checked(model, table, (key, i))) for i, table in enumerate(tables)]
        return [(loc, table) for loc, table in checked if table is not None]

    def by_name(self, key: str, model: type[Model]) -> list[tuple[str, Model]]:
        """(name, table) of each sound [key.name]."""
        tables = self.raw.get(key, {})
        if not isinstance(tables, dict):
            self.fault((key,), "is not a table", f"write [{key}.name] for each")
            return []
        checked = [(name, self._checked(model, table, (key, name))) for name, table in tables.items()]
        return [(name, table) for name, table in checked if table is not None]

    def names(self, key: str) -> set[str]:
        """Names of all [[key]] or [key.name], sound or not: naming a faulty item is no second fault."""
        tables = self.raw.get(key, [])
        if isinstance(tables, dict):
            return set(tables)
        return {name for table in tables if (name := _name_of(table))} if isinstance(tables, list) else set()

    def _note_duplicates(self, key: str, tables: list[Any]) -> None:
        first: dict[str, int] = {}
        for i, table in enumerate(tables):
            name = _name_of(table)
            if name in first:
                other = path_of((key, first[name]))
                self.fault((key, i, "name"), f"is also the name of {other}", "rename one of them")
            elif name:
                first[name] = i

    def _checked(self, model: type[Model], value: Any, loc: Loc, others: Iterable[str] = ()) -> Model | None:
        try:
            return model.model_validate(value)
        except ValidationError as error:
            details = error.errors(include_url=False)
        self.faults += [self._translated(model, value, loc, others, detail) for detail in details]
        if any(detail["type"] != "extra_forbidden" for detail in details):
            return None
        # the unknown keys are noted; without them the table serves the checks that follow
        return model.model_validate(_without(value, [detail["loc"] for detail in details]))

    def _translated(
        self, model: type[Table], value: Any, base: Loc, others: Iterable[str], detail: ErrorDetails
    ) -> InputFault:
        """One of pydantic's findings in our words."""
        kind, loc = detail["type"], detail["loc"]
        path = path_of((*base, *loc))
        owner, field = _field_at(model, loc)
        if kind == "extra_forbidden":
            known = [*(owner.model_fields if owner else ()), *(others if len(loc) == 1 else ())]
            found = _shown_at(value, loc)
            return InputFault(self.file, path, found, "is no known key", nearest(loc[-1], known))
        expected = _expected(field)
        if kind == "missing":
            return InputFault(self.file, path, "", "is missing", f"add {expected}")
        mend = detail.get("ctx", {}).get("mend", f"write {expected}")
        return InputFault(self.file, path, _shown_at(value, loc), _PROBLEMS.get(kind, detail["msg"]), mend)


def path_of(loc: Loc) -> str:
    """A place as people read it: ("pump", 0, "limit") is pump[0].limit."""
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in loc).removeprefix(".")


def _name_of(table: Any) -> str | None:
    name = table.get("name") if isinstance(table, dict) else None
    return name if isinstance(name, str) else None


def _shown_at(value: Any, loc: Loc) -> str:
    """What the file has at a place, "" where it has nothing."""
    for step in loc:
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            return ""
    return shown(value)


def _expected(field: FieldInfo | None) -> str:
    """What belongs into a field, to complete "write ..." or "add ..."."""
    if field is None:
        return "a table"
    words = ", ".join(map(str, get_args(field.annotation)))
    return field.description or _described(field.annotation) or f"one of {words}"


def _described(annotation: Any) -> str | None:
    """The description within an annotation such as Length | None."""
    inner = get_args(annotation)
    own = (part.description for part in inner if isinstance(part, FieldInfo))
    return next((text for text in (*own, *map(_described, inner)) if text), None)


def _field_at(model: type[Table], loc: Loc) -> tuple[type[Table] | None, FieldInfo | None]:
    """The model that owns the last key of a place, and that key's field."""
    owner: type[Table] | None = model
    field: FieldInfo | None = None
    for step in loc:
        if isinstance(step, str):
            owner = owner if field is None else _model_in(field.annotation)
            field = owner.model_fields.get(step) if owner else None
    return owner, field


def _model_in(annotation: Any) -> type[Table] | None:
    """The table type in an annotation such as list[...] or ... | None."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    return next((found for inner in get_args(annotation) if (found := _model_in(inner))), None)


def _without(value: Any, locs: list[Loc]) -> Any:
    """A copy of nested tables and lists without the keys at those places."""
    here = {loc[0] for loc in locs if len(loc) == 1}

    def inside(step: str | int, item: Any) -> Any:
        deeper = [loc[1:] for loc in locs if len(loc) > 1 and loc[0] == step]
        return _without(item, deeper) if deeper else item

    if isinstance(value, dict):
        return {key: inside(key, item) for key, item in value.items() if key not in here}
    return [inside(i, item) for i, item in enumerate(value)]

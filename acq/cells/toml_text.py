"""TOML text out of plain tables, for the papers that a person types or imports.

Only what sheets hold: text, numbers, truth values, dates, rows of numbers, tables, lists of
tables. Blanks are left out. Read back with tomllib it is the same table.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def toml_text(table: Mapping[str, Any]) -> str:
    """Return the table as TOML. Raises TypeError for a value that no sheet holds."""
    return "\n".join(_lines(table, ())).strip() + "\n"


def array_entry(name: str, table: Mapping[str, Any]) -> str:
    """Return one `[[name]]` entry, to be put at the end of a file that a person wrote."""
    return "\n".join([f"[[{name}]]", *_lines(table, (name,))]).strip() + "\n"


def _lines(table: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[str]:
    inner = {key: value for key, value in table.items() if isinstance(value, Mapping) and value}
    lists = {key: value for key, value in table.items() if _is_tables(value)}
    for key, value in table.items():
        if value is None or key in inner or key in lists or value in ({}, [], ()):
            continue
        yield f"{_key(key)} = {_value(value)}"
    for key, value in inner.items():
        yield ""
        yield f"[{_dotted((*path, key))}]"
        yield from _lines(value, (*path, key))
    for key, value in lists.items():
        for entry in value:
            yield ""
            yield f"[[{_dotted((*path, key))}]]"
            yield from _lines(entry, (*path, key))


def _is_tables(value: object) -> bool:
    return (
        isinstance(value, list | tuple)
        and bool(value)
        and all(isinstance(each, Mapping) for each in value)
    )


def _dotted(path: tuple[str, ...]) -> str:
    return ".".join(_key(part) for part in path)


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _text(key)


def _value(value: object) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case int() | float():
            return repr(value)
        case date():
            return value.isoformat()
        case str():
            return _text(value)
        case list() | tuple():
            return f"[{', '.join(_value(each) for each in value)}]"
    raise TypeError(f"no sheet holds a {type(value).__name__}")


def _text(value: str) -> str:
    # a JSON string is a TOML basic string, but for the one control character that JSON leaves bare
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")

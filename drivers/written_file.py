"""Files that people write: TOML in, a checked model out, one clear line when it is wrong.

The only place where a person's file is opened for reading. A mistake names the file, the
key and what is allowed there; nobody who writes a dialect or a data sheet sees a traceback.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

Model = TypeVar("Model", bound=BaseModel)


class FileError(Exception):
    """A file that a person wrote is missing, unreadable or says something impossible."""

    def __init__(self, file: Path | str, key: str, reason: str) -> None:
        self.file = str(file)
        self.key = key
        self.reason = " ".join(reason.split())
        super().__init__(": ".join(part for part in (self.file, key, self.reason) if part))


class Written(BaseModel):
    """Base of every model read from a file: frozen, unknown keys are mistakes, numbers finite."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def read_file(path: Path, model: type[Model]) -> Model:
    """Return the checked content of a TOML file.

    Raises FileError with the file, the first wrong key and what is allowed there.
    """
    return check(path, read_table(path), model)


def read_table(path: Path) -> dict[str, object]:
    """Return a TOML file as plain tables; raises FileError when it cannot be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise FileError(path, "", "no such file") from None
    except IsADirectoryError:
        raise FileError(path, "", "is a folder, a TOML file is needed") from None
    except UnicodeDecodeError:
        raise FileError(path, "", "is not UTF-8 text") from None
    except OSError as error:
        raise FileError(path, "", f"cannot be read: {error.strerror}") from error
    except tomllib.TOMLDecodeError as error:
        raise FileError(path, "", f"is not TOML: {error}") from error


def check(file: Path | str, table: object, model: type[Model]) -> Model:
    """Return `table` as the model; raises FileError that names the first wrong key."""
    try:
        return model.model_validate(table)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise FileError(file, key, _reason(dict(first))) from None


def _reason(error: dict[str, object]) -> str:
    """Say what is allowed, in the file's words rather than the checker's."""
    context = error.get("ctx")
    allowed = context if isinstance(context, dict) else {}
    match error["type"]:
        case "extra_forbidden":
            return "no such key here"
        case "finite_number":
            return f"a finite number is needed, got {error['input']!r}"
        case "missing":
            return "is missing"
        case "literal_error":
            return f"allowed is {allowed['expected']}, got {error['input']!r}"
        case "value_error":
            return str(allowed["error"])
    return f"{error['msg']}, got {error['input']!r}"

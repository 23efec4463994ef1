"""Files that commands write for a person: whole or not at all, and never in silence."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from acq.errors import BenchFailure, WrongInput


def refuse_unwritable(path: Path) -> None:
    """Before hours are spent on what shall stand in a file: raises WrongInput that names it."""
    if path.is_dir():
        raise WrongInput(f"{path}: is a folder; name a file in it")
    if not path.absolute().parent.is_dir():
        raise WrongInput(f"{path}: there is no folder {path.parent}")
    if not os.access(path if path.exists() else path.absolute().parent, os.W_OK):
        raise WrongInput(f"{path}: may not be written")


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is either the old one or the new one, never a half.

    A device, a pipe or a link is written through. Raises BenchFailure that names the file.
    """
    if path.is_symlink() or (path.exists() and not path.is_file()):
        _write_through(path, content)
        return
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}-")
    except OSError as error:
        raise BenchFailure(f"{path} cannot be written: {error.strerror}") from error
    try:
        with open(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o666 & ~_umask())
        os.replace(name, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise BenchFailure(f"{path} cannot be written: {error.strerror}") from error


def _write_through(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise BenchFailure(f"{path} cannot be written: {error.strerror}") from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask

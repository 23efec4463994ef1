"""The workshop's own dialects, kept beside the bench file in a run's folder.

The run, its guardian and whoever takes it up later read the same ones, whatever becomes of the
originals.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from acq.bench.bench_file import BenchFile
from acq.errors import BenchFailure
from acq.runs.folders import RunFolder
from drivers.dialect import load_dialect
from drivers.written_file import FileError


def check_dialects(file: BenchFile, beside: Path) -> None:
    """Read every dialect of a bench. Raises FileError before anything is opened."""
    for role, entry in file.instruments.items():
        if not entry.by_hand:
            load_dialect(entry.dialect, beside)
            if _is_beside(entry.dialect) and ".." in Path(entry.dialect).parts:
                raise FileError(
                    entry.dialect, "", f"dialect of {role}: keep it beside the bench file"
                )


def keep_dialects(file: BenchFile, beside: Path, folder: RunFolder) -> None:
    """Copy the bench's own dialects into the run's folder, where the bench file lies."""
    for entry in file.instruments.values():
        if entry.by_hand or not _is_beside(entry.dialect):
            continue
        kept = folder.path / entry.dialect
        try:
            kept.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(beside / entry.dialect, kept)
        except OSError as error:
            raise BenchFailure(f"{kept} cannot be written: {error.strerror}") from error


def _is_beside(dialect: str) -> bool:
    """Whether it is a file that is looked up in the bench file's folder."""
    return dialect.endswith(".toml") and not dialect.startswith(("~", "/"))

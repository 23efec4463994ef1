"""Where a run keeps its journal and what belongs to it, and how a run is found again."""

from __future__ import annotations

import difflib
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

import platformdirs

from acq.errors import BenchFailure, WrongInput


@dataclass(frozen=True, slots=True)
class RunFolder:
    """The folder of one run; its name is the run's number."""

    path: Path

    @property
    def number(self) -> str:
        return self.path.name

    @property
    def journal(self) -> Path:
        return self.path / "journal.jsonl"

    @property
    def bench_file(self) -> Path:
        """The bench as it was opened, ports included: for the guardian and for taking it up."""
        return self.path / "bench.toml"

    @property
    def scenario_file(self) -> Path:
        """A scenario of one's own, as it was when a simulated run began."""
        return self.path / "scenario.toml"

    @property
    def guardian_notes(self) -> Path:
        return self.path / "guardian.jsonl"

    @property
    def control_socket(self) -> Path:
        return self.path / "control.sock"


def runs_root(*, simulated: bool) -> Path:
    """The folder of all run folders; simulated runs have their own."""
    data = Path(platformdirs.user_data_dir("bridgebench"))
    return data / ("simulated-runs" if simulated else "runs")


def new_run_folder(prefix: str, *, simulated: bool) -> RunFolder:
    """Make the folder of the next run `prefix-NNN`; two runs at once get different ones.

    Raises BenchFailure when the folder cannot be made.
    """
    root = runs_root(simulated=simulated)
    try:
        root.mkdir(parents=True, exist_ok=True)
        number = 1 + max((_occurrence(each, prefix) for each in os.listdir(root)), default=0)
        while True:
            try:
                (root / f"{prefix}-{number:03}").mkdir()
            except FileExistsError:
                number += 1
            else:
                return RunFolder(root / f"{prefix}-{number:03}")
    except OSError as error:
        raise BenchFailure(f"{root} cannot be written: {error.strerror}") from error


def forget_refused(folder: RunFolder) -> None:
    """Take the folder away again of a run that was refused before its journal began."""
    if not folder.journal.exists():
        shutil.rmtree(folder.path, ignore_errors=True)


def find_run_folder(number: str) -> RunFolder:
    """Return the folder of a run on this computer by its number or its path.

    Raises WrongInput with the nearest numbers when there is none.
    """
    if (Path(number) / "journal.jsonl").is_file():
        return RunFolder(Path(number).resolve())
    known: list[str] = []
    for simulated in (False, True):
        root = runs_root(simulated=simulated)
        names = sorted(each.name for each in root.iterdir()) if root.is_dir() else []
        if number in names:
            return RunFolder(root / number)
        known += names
    near = difflib.get_close_matches(number, known, n=3, cutoff=0.5)
    hint = f"near it: {', '.join(near)}" if near else f"{len(known)} runs are kept here"
    raise WrongInput(f"no run {number!r} on this computer; {hint}")


def _occurrence(name: str, prefix: str) -> int:
    start, _, number = name.rpartition("-")
    return int(number) if start == prefix and number.isdigit() else 0

"""Whether a log of readings is the one that the run's journal tells of, by its digest."""

from __future__ import annotations

import hashlib
from pathlib import Path

from acq.errors import WrongInput
from acq.runs.journal import read_journal

_CHUNK = 1 << 20
_KEYS = {"sha256", "bytes", "rows"}


def prove(log: Path) -> int | None:
    """Return how many readings the journal vouches for; None where no journal lies beside the log.

    Raises WrongInput when the log is not what the journal says.
    """
    journal = log.parent / "journal.jsonl"
    if not journal.is_file():
        return None
    lines, _ = read_journal(journal)
    told = [line.content.get("got") for line in lines if line.what == "effect"]
    noted = [got.get("log", got) for got in told if isinstance(got, dict)]
    found = [each for each in noted if isinstance(each, dict) and set(each) >= _KEYS]
    if not found:
        return 0
    newest = found[-1]
    if _digest(log, int(newest["bytes"])) != newest["sha256"]:
        raise WrongInput(f"{log}: is not the log that the journal beside it tells of")
    return int(newest["rows"])


def _digest(log: Path, size: int) -> str:
    digest = hashlib.sha256()
    with log.open("rb") as file:
        while size and (data := file.read(min(size, _CHUNK))):
            digest.update(data)
            size -= len(data)
    return digest.hexdigest() if size == 0 else ""

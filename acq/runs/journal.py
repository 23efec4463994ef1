"""The truth of a run: one local, append-only file of JSON lines.

Each line carries the SHA-256 of the line before it and is on the disk before anyone uses what
it says. A torn last line was never acknowledged and is dropped when the file is opened again.
Ports, paths and host names never get in here: the same seed gives the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acq.errors import BenchFailure, WrongInput
from drivers.port_lock import hold

NOTHING_BEFORE = "0" * 64


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a journal: its bytes as they stand in the file, and what they say."""

    raw: bytes
    content: Mapping[str, Any]

    @property
    def number(self) -> int:
        return int(self.content["line"])

    @property
    def what(self) -> str:
        return str(self.content["what"])

    @property
    def digest(self) -> str:
        """SHA-256 of the raw line, in hex: what the next line must carry."""
        return hashlib.sha256(self.raw).hexdigest()


class Journal:
    """Appends lines to one run's file; the only writer of it."""

    def __init__(self, path: Path, *, new: bool) -> None:
        """Create a journal, or open one to go on with it.

        Raises WrongInput when the chain of digests is broken, BenchFailure when the file
        cannot be read or written, or while another process writes it.
        """
        self.path = path
        self.lines: list[Line] = []
        self._watchers: list[Callable[[Line], None]] = []
        try:
            self._file = _held(path, os.O_WRONLY | os.O_APPEND | (os.O_CREAT | os.O_EXCL) * new)
            try:
                if not new:
                    self.lines, whole = read_journal(path)
                    os.ftruncate(self._file, whole)
                keep_the_name(path.parent)
            except BaseException:
                self.close()
                raise
        except OSError as error:
            raise BenchFailure(f"journal {path} cannot be opened: {error.strerror}") from error

    @property
    def head(self) -> str:
        """The digest of the last line."""
        return self.lines[-1].digest if self.lines else NOTHING_BEFORE

    def watch(self, watcher: Callable[[Line], None]) -> None:
        """Have each new line shown to `watcher` once it is on the disk."""
        self._watchers.append(watcher)

    def append(self, what: str, t: int, **content: Any) -> Line:
        """Write one line and wait until the disk has it; `t` is bench time in ns."""
        entry = {
            **content,
            "line": len(self.lines) + 1,
            "prev": self.head,
            "t": t,
            "what": what,
        }
        raw = encode(entry) + b"\n"
        with uninterrupted():
            try:
                _write_all(self._file, raw)
                os.fsync(self._file)
            except OSError as error:
                raise BenchFailure(
                    f"journal {self.path} cannot be written: {error.strerror}"
                ) from error
            line = line_of(raw)
            self.lines.append(line)
        for watcher in self._watchers:
            watcher(line)
        return line

    def close(self) -> None:
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def refuse_while_written(path: Path) -> None:
    """Raises BenchFailure while another process writes this journal."""
    os.close(_held(path, os.O_RDONLY))


def _held(path: Path, flags: int) -> int:
    """Open a journal for this process alone: two that append would break its chain."""
    handle = os.open(path, flags | os.O_CLOEXEC, 0o644)
    if not hold(handle):
        os.close(handle)
        raise BenchFailure(
            f"run {path.parent.name} is still conducted by another process; wait for its end, or"
            " stop it"
        )
    return handle


def line_of(raw: bytes) -> Line:
    """Return a line by its bytes, line feed included."""
    return Line(raw, json.loads(raw))


def encode(content: Mapping[str, Any]) -> bytes:
    """Return the one byte form of a line's content; NaN and infinity are refused (ValueError)."""
    return json.dumps(
        content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def plain(value: Any) -> Any:
    """Return `value` as it comes back out of a journal (tuples become lists)."""
    return json.loads(encode({"value": value}))["value"]


def read_journal(path: Path) -> tuple[list[Line], int]:
    """Return the whole lines of a journal and how many bytes they take.

    Raises WrongInput when a line is not what the one before it was followed by.
    """
    lines: list[Line] = []
    head, whole = NOTHING_BEFORE, 0
    for raw in path.read_bytes().splitlines(keepends=True):
        if not raw.endswith(b"\n"):
            break
        line = Line(raw, _content(path, raw, len(lines) + 1))
        if line.content.get("prev") != head or line.content.get("line") != len(lines) + 1:
            raise WrongInput(f"{path}: line {len(lines) + 1} does not follow the line before it")
        lines.append(line)
        head, whole = line.digest, whole + len(raw)
    return lines, whole


def _content(path: Path, raw: bytes, number: int) -> Mapping[str, Any]:
    try:
        content = json.loads(raw)
    except ValueError:
        raise WrongInput(f"{path}: line {number} is not JSON") from None
    if not isinstance(content, dict) or "what" not in content:
        raise WrongInput(f"{path}: line {number} is not a journal line")
    return content


def _write_all(file: int, raw: bytes) -> None:
    written = 0
    while written < len(raw):
        written += os.write(file, raw[written:])


def keep_the_name(folder: Path) -> None:
    """A new file survives a power cut only when its folder is on the disk too."""
    handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Ctrl-C waits until a line is whole: the file and our list of lines must agree."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)

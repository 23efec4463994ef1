"""What a log of readings holds, read block by block: memory is that of one block."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from acq.errors import WrongInput
from acq.runs.reading_log import FIRST_LINE, HEAD, LIMITS, MAGIC, Kind

Array = NDArray[np.float64]
_FORMS = {"real-64 big": ">f8", "real-64 little": "<f8", "real-32 big": ">f4",
          "real-32 little": "<f4"}  # fmt: skip
OUT_OF_RANGE = 9.0e36  # SCPI-1999 volume 1, 7.2.1.4: 9.9E37 and 9.91E37 are no values


class Digest(Protocol):
    """A hash that takes bytes."""

    def update(self, data: bytes, /) -> None: ...


class Whole(NamedTuple):
    """How much of a file is whole."""

    rows: int
    bytes: int
    last_ns: int | None  # bench time of the last reading or note


@dataclass(frozen=True, slots=True)
class LoggedBlock:
    """One block; `first` is the count of its first row."""

    kind: Kind
    channel: int
    rows: int
    first: int
    from_ns: int
    to_ns: int
    content: bytes

    def note(self) -> dict[str, Any]:
        """Return what a note says."""
        told: dict[str, Any] = json.loads(self.content)
        return told


@dataclass(frozen=True, slots=True)
class LoggedRows:
    """Rows of one block as columns: channel codes, seconds since bench time 0, values, raw text.

    Values are NaN out of range; `limits` says on which side.
    """

    first: int
    channels: NDArray[np.uint8]
    started_ns: NDArray[np.int64]
    ended_ns: NDArray[np.int64]
    values: Array
    limits: list[Literal["above", "below"] | None]
    raws: list[str]


def blocks(
    path: Path, digest: Digest | None = None, upto: int | None = None
) -> Iterator[LoggedBlock]:
    """Yield the blocks of a log; a torn tail ends it. `digest` sees the bytes of whole blocks.

    Raises WrongInput when the file is no log, or damaged before its tail.
    """
    try:
        with path.open("rb") as file:
            first = file.read(len(FIRST_LINE))
            if first != FIRST_LINE:
                if FIRST_LINE.startswith(first):
                    return
                raise WrongInput(f"{path}: is no log of readings")
            if digest is not None:
                digest.update(first)
            at = len(first)
            while (found := _next(path, file, at)) is not None:
                head, block = found
                at += len(head) + len(block.content)
                if upto is not None and at > upto:
                    return
                if digest is not None:
                    digest.update(head)
                    digest.update(block.content)
                yield block
    except OSError as error:
        raise WrongInput(f"{path}: cannot be read: {error.strerror}") from error


def _next(path: Path, file: IO[bytes], at: int) -> tuple[bytes, LoggedBlock] | None:
    """Return the next whole block; None at the end or at a torn tail."""
    head = file.read(HEAD.size)
    if len(head) < HEAD.size:
        return None
    magic, kind, channel, _, rows, first, size, from_ns, to_ns, crc = HEAD.unpack(head)
    if magic != MAGIC or kind not in list(Kind):
        _refuse_all_but_a_torn_tail(path, file, at, head)
        return None
    content = file.read(size)
    if len(content) < size:
        return None
    blank = HEAD.pack(magic, kind, channel, 0, rows, first, size, from_ns, to_ns, 0)
    if zlib.crc32(content, zlib.crc32(blank)) != crc:
        _refuse_all_but_a_torn_tail(path, file, at, content)
        return None
    return head, LoggedBlock(Kind(kind), channel, rows, first, from_ns, to_ns, content)


def _refuse_all_but_a_torn_tail(path: Path, file: IO[bytes], at: int, bad: bytes) -> None:
    """Pass a tail over that the disk did not finish; raises WrongInput when more follows it."""
    rest = file.read(1 << 16)
    while rest:
        if MAGIC in rest or rest.strip(b"\0"):
            raise WrongInput(f"{path}: is damaged at byte {at}, and whole blocks may follow")
        rest = file.read(1 << 16)
    if MAGIC in bad[1:]:
        raise WrongInput(f"{path}: is damaged at byte {at}, and whole blocks may follow")


def whole_part(path: Path, digest: Digest) -> Whole:
    """Return how many rows and bytes of a log are whole; `digest` sees these bytes."""
    rows, size, last_ns = 0, len(FIRST_LINE), None
    for block in blocks(path, digest):
        rows = block.first + block.rows
        last_ns = block.to_ns
        size += HEAD.size + len(block.content)
    return Whole(rows, size, last_ns)


def rows_of(block: LoggedBlock) -> LoggedRows:
    """Return the readings of a block of rows or of a burst."""
    return _burst(block) if block.kind is Kind.BURST else _rows(block)


def _rows(block: LoggedBlock) -> LoggedRows:
    count, data = block.rows, block.content
    times = np.frombuffer(data, "<i8", 2 * count)
    values = np.frombuffer(data, "<f8", count, 16 * count).copy()
    channels = np.frombuffer(data, np.uint8, count, 24 * count)
    codes = np.frombuffer(data, np.uint8, count, 25 * count)
    values[codes & 4 > 0] = np.nan
    limits = [LIMITS[code & 3] for code in codes]
    raws = data[26 * count :].decode("latin-1").split("\n")
    return LoggedRows(block.first, channels, times[:count], times[count:], values, limits, raws)


def _burst(block: LoggedBlock) -> LoggedRows:
    """Evenly spaced readings, between the start of the first and the end of the last."""
    form = block.content[1 : 1 + block.content[0]].decode()
    raw = block.content[1 + block.content[0] :]
    if form in _FORMS:
        values = np.frombuffer(raw, _FORMS[form]).astype(float)
        texts = [repr(float(value)) for value in values]
    else:
        texts = raw.decode("latin-1").split(",")
        values = np.array([float(text) for text in texts])
    over = ~(np.abs(values) < OUT_OF_RANGE)
    limits: list[Literal["above", "below"] | None] = [None] * block.rows
    for place in np.flatnonzero(over):
        limits[place] = "below" if values[place] < 0 else "above"
    edges = block.from_ns + (block.to_ns - block.from_ns) * np.arange(block.rows + 1) // block.rows
    return LoggedRows(
        block.first, np.full(block.rows, block.channel, np.uint8), edges[:-1], edges[1:],
        np.where(over, np.nan, values), limits, texts,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Channel:
    """What one column of a log is."""

    name: str
    quantity: str
    unit: str
    instrument: str


class About:
    """What the notes of a log say so far: its channels, and the date at bench time 0."""

    def __init__(self) -> None:
        self.channels: dict[int, Channel] = {}
        self.start_ns = 0  # UTC of bench time 0, in ns since 1970
        self.run = ""

    def take(self, note: dict[str, Any]) -> None:
        """Learn from one note."""
        if "channels" in note:
            self.channels = {int(code): Channel(**each) for code, each in note["channels"].items()}
            self.run = note.get("run", "")
        if "utc_ns" in note:
            self.start_ns = int(note["utc_ns"]) - int(note["bench_ns"])

    def utc(self, bench_ns: int) -> np.datetime64:
        """Return date and time of a bench time, UTC."""
        return np.datetime64(self.start_ns + int(bench_ns), "ns")

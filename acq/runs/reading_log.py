"""Readings for days: one append-only file of blocks, each on the disk before it is acknowledged.

A run's journal has a line for each thing that was decided; of a meter that gives 500 readings a
second each gets less than a line. The file begins with a line of text; then follow blocks: a fixed
head with a CRC-32 over head and content, then the content. Blocks hold rows (readings one by one,
raw text included), a burst (what a meter's memory held, in the bytes that it sent), a gap, or a
note (JSON). Rows and bursts count on without a hole; what is missing stands in a gap.

What `keep` has returned survives `kill -9` and a power cut: a torn tail is found by its CRC, cut
off when the file is opened again, and was never acknowledged. The journal refers to the file by
the SHA-256 of its first so many bytes.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
import sys
import zlib
from array import array
from collections.abc import Iterable, Mapping
from enum import IntEnum
from pathlib import Path
from typing import Any, Literal, NamedTuple

from acq.errors import BenchFailure
from acq.runs.journal import keep_the_name, uninterrupted
from drivers.dmm_blocks import ValueBlock

FIRST_LINE = b"bridgebench log of readings, 1\n"
MAGIC = b"RBLK"
HEAD = struct.Struct("<4sBBHIQIqqI")  # magic, kind, channel, 0, rows, first, bytes, ns, ns, CRC
KEEP_NS = 1_000_000_000
LIMITS: tuple[Literal["above", "below"] | None, ...] = (None, "above", "below")
_CODE = {limit: code for code, limit in enumerate(LIMITS)}


class Kind(IntEnum):
    """What a block holds."""

    ROWS = 1
    BURST = 2
    GAP = 3
    NOTE = 4


class Row(NamedTuple):
    """One reading as it is put in; bench times in ns, value in the channel's SI unit."""

    channel: int
    started_ns: int
    ended_ns: int
    value: float | None
    limit: Literal["above", "below"] | None
    raw: str


class Kept(NamedTuple):
    """What is on the disk: rows, bytes and the SHA-256 of these bytes, in hex."""

    rows: int
    bytes: int
    sha256: str


class ReadingLog:
    """The only writer of one file. Memory holds what came since the last `keep`, not more."""

    def __init__(self, path: Path, *, new: bool) -> None:
        """Create the file, or open it to go on; a torn tail is cut off.

        Raises BenchFailure when it cannot be written, WrongInput when it is damaged inside.
        """
        from acq.runs.logged import whole_part

        self.path = path
        self._pending: list[Row] = []
        self._kept_ns: int | None = None
        self._digest = hashlib.sha256()
        self.last_ns: int | None = None
        """Bench time at which a file that is gone on with ended; None for a new one."""
        try:
            if not new:
                whole = whole_part(path, self._digest)
                os.truncate(path, whole.bytes)
            flags = os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC | (os.O_CREAT | os.O_EXCL) * new
            self._file = os.open(path, flags, 0o644)
            keep_the_name(path.parent)
            if new:
                self._rows, self._bytes = 0, 0
                self._write(FIRST_LINE)
                os.fsync(self._file)
            else:
                self._rows, self._bytes, self.last_ns = whole
        except OSError as error:
            raise BenchFailure(f"log {path} cannot be opened: {error.strerror}") from error
        self.kept = Kept(self._rows, self._bytes, self._digest.hexdigest())

    @property
    def rows(self) -> int:
        """Readings that were put in so far, kept or not: the count that the next one gets."""
        return self._rows + len(self._pending)

    def add(self, row: Row) -> None:
        """Put one reading in; it is safe after the next `keep`."""
        self._pending.append(row)

    def add_all(self, rows: list[Row]) -> None:
        """Put many readings in."""
        self._pending += rows

    def add_burst(self, channel: int, block: ValueBlock) -> None:
        """Put a block of readings in, with the bytes that the meter sent."""
        self._flush()
        form = block.form.encode()
        content = bytes([len(form)]) + form + block.raw
        self._block(
            Kind.BURST, channel, len(block.values), content, block.started_ns, block.ended_ns
        )
        self._rows += len(block.values)

    def gap(self, from_ns: int, to_ns: int, because: str) -> None:
        """Mark a time of which there are no readings, and why."""
        self._flush()
        self._block(Kind.GAP, 0, 0, because.encode(), from_ns, to_ns)

    def note(self, content: Mapping[str, Any], at_ns: int) -> None:
        """Keep something that is no reading: the channels, the clock, a mark."""
        self._flush()
        text = json.dumps(content, sort_keys=True, ensure_ascii=False, allow_nan=False)
        self._block(Kind.NOTE, 0, 0, text.encode(), at_ns, at_ns)

    def keep(self, now_ns: int, *, at_once: bool = False) -> Kept:
        """Have everything on the disk, at most once a second; return what is there.

        Raises BenchFailure when the disk refuses.
        """
        if self._kept_ns is None:
            self._kept_ns = now_ns
        due = at_once or now_ns - self._kept_ns >= KEEP_NS
        if due and (self._pending or self._bytes > self.kept.bytes):
            self._flush()
            try:
                os.fdatasync(self._file)
            except OSError as error:
                raise BenchFailure(f"log {self.path}: {error.strerror}") from error
            self._kept_ns = now_ns
            self.kept = Kept(self._rows, self._bytes, self._digest.copy().hexdigest())
        return self.kept

    def close(self) -> None:
        """Close the file; what was not kept is lost, and was never acknowledged."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def _flush(self) -> None:
        if not self._pending:
            return
        rows, self._pending = self._pending, []
        channels, started, ended, values, limits, raws = zip(*rows, strict=True)
        numbers: list[float] = (
            list(values) if None not in values else [0.0 if v is None else v for v in values]
        )
        content = b"".join((
            _column("q", started),
            _column("q", ended),
            _column("d", numbers),
            bytes(channels),
            bytes(_CODE[limit] | (4 if value is None else 0) for limit, value in
                  zip(limits, values, strict=True)) if any(limits) else bytes(len(rows)),
            "\n".join(raws).encode("latin-1", "replace"),
        ))  # fmt: skip
        self._block(Kind.ROWS, 0, len(rows), content, started[0], ended[-1])
        self._rows += len(rows)

    def _block(
        self, kind: Kind, channel: int, rows: int, content: bytes, from_ns: int, to_ns: int
    ) -> None:
        parts = (MAGIC, kind, channel, 0, rows, self._rows, len(content), from_ns, to_ns)
        crc = zlib.crc32(content, zlib.crc32(HEAD.pack(*parts, 0)))
        self._write(HEAD.pack(*parts, crc) + content)

    def _write(self, data: bytes) -> None:
        with uninterrupted():
            try:
                written = 0
                while written < len(data):
                    written += os.write(self._file, data[written:])
            except OSError as error:
                raise BenchFailure(
                    f"log {self.path} cannot be written: {error.strerror}"
                ) from error
            self._digest.update(data)
            self._bytes += len(data)


def _column(code: str, values: Iterable[float]) -> bytes:
    column: array[Any] = array(code, values)
    if sys.byteorder != "little":
        column.byteswap()
    return column.tobytes()

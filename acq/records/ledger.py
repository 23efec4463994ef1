"""The ledger: each entry carries the link of the one before it, so that none can be changed.

An entry's link is the SHA-256 of its other columns as JSON with sorted keys and no spaces, in
UTF-8; `entered_at` in it is UTC as YYYY-MM-DDTHH:MM:SS.ffffffZ. A chain cannot show that its
end was cut off: so certificates print the head, and `verify` takes one.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from sqlalchemy import Connection, insert, select

from acq.records.story import digest_of
from acq.records.tables import documents, ledger
from acq.runs.journal import NOTHING_BEFORE, encode


class EntryKind(StrEnum):
    """What can be entered. Job and lot events come as documents like corrections do."""

    RUN_OPENED = "run-opened"  # content: the journal's first line
    RUN_CLOSED = "run-closed"  # content: the journal up to this closing
    CERTIFICATE = "certificate"  # content: a document
    APPROVAL = "approval"
    CORRECTION = "correction"
    BENCH_CLOSED = "bench-closed"  # for certificates: its check standard was out of control
    BENCH_CLEARED = "bench-cleared"
    VALIDATION = "validation"  # of the installed copy; content: a document
    JOB = "job"
    LOT = "lot"


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the ledger."""

    position: int
    kind: str  # an EntryKind, unless somebody changed it
    subject: str
    content_sha256: str
    entered_at: datetime
    previous: str
    link: str

    def as_json(self) -> dict[str, str | int]:
        """Return plain values, as a person who checks the link needs them."""
        return {**_linked(self), "link": self.link}

    @property
    def right_link(self) -> str:
        """What the link must be, computed from the other columns."""
        return digest_of(encode(_linked(self)))


def append(
    connection: Connection, kind: EntryKind, subject: str, content_sha256: str, when: datetime
) -> Entry:
    """Add an entry; the caller holds the only writing transaction."""
    last = connection.execute(
        select(ledger.c.position, ledger.c.link).order_by(ledger.c.position.desc()).limit(1)
    ).first()
    position, previous = (last.position + 1, last.link) if last else (1, NOTHING_BEFORE)
    # microseconds are all that a database keeps; the link must say what comes back
    draft = Entry(position, kind, subject, content_sha256, when.astimezone(UTC), previous, "")
    values = {name: getattr(draft, name) for name in Entry.__slots__}
    values["link"] = draft.right_link
    connection.execute(insert(ledger), values)
    return Entry(**values)


def head(connection: Connection) -> str:
    """Return the link of the newest entry; 64 zeros when there is none."""
    newest = select(ledger.c.link).order_by(ledger.c.position.desc()).limit(1)
    return connection.scalar(newest) or NOTHING_BEFORE


def entries(connection: Connection, subject: str | None = None) -> Iterator[Entry]:
    """Yield entries in order, of one subject or all."""
    wanted = select(ledger).order_by(ledger.c.position)
    if subject is not None:
        wanted = wanted.where(ledger.c.subject == subject)
    for row in connection.execute(wanted).mappings():
        yield Entry(**row)


def newest(connection: Connection, kind: EntryKind) -> Entry | None:
    """Return the newest entry of a kind."""
    wanted = select(ledger).where(ledger.c.kind == kind).order_by(ledger.c.position.desc())
    row = connection.execute(wanted.limit(1)).mappings().first()
    return None if row is None else Entry(**row)


def keep_document(connection: Connection, content: bytes, media_type: str) -> str:
    """Keep a document once; return its digest, by which entries speak of it."""
    digest = digest_of(content)
    if connection.scalar(select(documents.c.sha256).where(documents.c.sha256 == digest)) is None:
        packed = {"sha256": digest, "media_type": media_type, "packed": pack(content)}
        connection.execute(insert(documents), packed)
    return digest


def document(connection: Connection, sha256: str) -> bytes | None:
    """Return a kept document's bytes, None when there is none of that digest."""
    packed = connection.scalar(select(documents.c.packed).where(documents.c.sha256 == sha256))
    return None if packed is None else zlib.decompress(packed)


def pack(content: bytes) -> bytes:
    """Return bytes as they are stored; digests are always of the unpacked ones."""
    return zlib.compress(content, level=9)


def _linked(entry: Entry) -> dict[str, str | int]:
    return {
        "position": entry.position,
        "kind": str(entry.kind),
        "subject": entry.subject,
        "content_sha256": entry.content_sha256,
        "entered_at": entry.entered_at.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        "previous": entry.previous,
    }

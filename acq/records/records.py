"""The records of a workshop: the one door for runs, command line, certificates and pages."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, insert, select

from acq.errors import BenchFailure, WrongInput
from acq.records import bench_state, delivery, history, issuing, ledger, numbers
from acq.records.address import Address, find_address, prepare_file
from acq.records.bench_state import BenchState
from acq.records.engines import Engines
from acq.records.history import PastRun
from acq.records.issuing import Issue, Issued
from acq.records.ledger import Entry, EntryKind
from acq.records.migrate import bring_up_to_date, revision_of
from acq.records.recorded_run import RecordedRun
from acq.records.report import Report
from acq.records.tables import about, runs
from acq.records.verify import verify
from acq.runs.fit_for_use import LastCheck


class Records:
    """Runs, findings and the ledger, in an SQLite file or on a PostgreSQL server.

    Each method is one transaction. Raises BenchFailure when the place cannot be reached or
    written: a run goes on and delivers later.
    """

    def __init__(self, engines: Engines, *, simulated: bool) -> None:
        self._engines = engines
        self.simulated = simulated

    @classmethod
    def open(cls, url: str | None = None, *, simulated: bool) -> Records:
        """Open the records at `url`, by BRIDGEBENCH_RECORDS, or in the user's data folder.

        They are made or migrated where needed. Real and simulated runs never share records.
        Raises WrongInput for a malformed address, a network share or records of the other
        kind; BenchFailure when they cannot be reached, or are of a newer version.
        """
        return cls.at(find_address(url, simulated=simulated), simulated=simulated)

    @classmethod
    def at(cls, address: Address, *, simulated: bool | None = None) -> Records:
        """Open the records at a checked address; `simulated` None takes them as they are."""
        if simulated is not None:
            prepare_file(address)
        engines = Engines.of(address)
        try:
            if simulated is None:
                _must_exist(engines)
            bring_up_to_date(engines)
            return cls(engines, simulated=_marked(engines, simulated))
        except BaseException:
            engines.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of all connections; harmless when done twice."""
        self._engines.close()

    @property
    def place(self) -> str:
        """Where the records are, for people: never with a password."""
        return str(self._engines.address)

    # from a run

    def deliver(self, journal_lines: Sequence[bytes], run_id: str | None = None) -> int:
        """Take over a journal's lines up to its last closed check; return that line's number.

        Give the raw lines (each with its line feed), from the first one on, or a later
        stretch together with the run's id. Lines that are recorded already are compared and
        not written again. Raises JournalBroken (a BenchFailure) when they differ or when a
        stretch is missing in between.
        """
        if not journal_lines:
            return self.delivered_up_to(run_id) if run_id else 0
        with self._engines.writing() as connection:
            return delivery.deliver(connection, journal_lines, run_id, simulated=self.simulated)

    def close_run(self, journal_lines: Sequence[bytes], run_id: str | None = None) -> Entry:
        """Deliver what is left of a closed run; return the ledger entry that closes it.

        Raises BenchFailure when the lines do not end with the run's closing.
        """
        name = run_id or str(delivery.parse_any(journal_lines[0]).content["run"]["id"])
        if self.deliver(journal_lines, run_id) < delivery.parse_any(journal_lines[-1]).number:
            raise BenchFailure(f"the journal of run {name} does not end with its closing")
        entry = self.run(name).closing_entry
        if entry is None:
            raise BenchFailure(f"the journal of run {name} has no closing")
        return entry

    def delivered_up_to(self, run_id: str) -> int:
        """Return the last line of a run's journal that is recorded, 0 when none is."""
        with self._engines.reading() as connection:
            wanted = select(runs.c.delivered_up_to).where(runs.c.id == run_id)
            return connection.scalar(wanted) or 0

    def next_number(self, kind: str, year: int) -> str:
        """Give out the next number: kind "run", "certificate", "job" or "lot"."""
        with self._engines.writing() as connection:
            return numbers.next_number(connection, kind, year)

    # for people

    def history(self, serial: str) -> tuple[PastRun, ...]:
        """Return a serial's runs, newest first; raises WrongInput that names near serials."""
        with self._engines.reading() as connection:
            if found := history.history(connection, serial):
                return found
            near = history.near_serials(connection, serial)
        raise WrongInput(f"no run of a cell {serial!r} in {self.place}{_near(near)}")

    def run(self, id_or_number: str) -> RecordedRun:
        """Return one run by id or number; raises WrongInput that names near ones."""
        with self._engines.reading() as connection:
            if found := history.run(connection, id_or_number):
                return found
            near = history.near_runs(connection, id_or_number)
        raise WrongInput(f"no run {id_or_number!r} in {self.place}{_near(near)}")

    def export_run(self, id_or_number: str) -> dict[str, Any]:
        """Return a run as one JSON document, its journal's lines included."""
        return self.run(id_or_number).as_json()

    def head(self) -> str:
        """Return the link of the ledger's newest entry."""
        with self._engines.reading() as connection:
            return ledger.head(connection)

    def verify(self, head: str | None = None) -> Report:
        """Check every digest, link and chain; `head` is one that a certificate printed."""
        with self._engines.reading() as connection:
            return verify(connection, head, simulated=self.simulated)

    # certificates and corrections

    def issued_for(self, run_id: str) -> Issued | None:
        """Return the newest certificate of a run, None when there is none."""
        with self._engines.reading() as connection:
            return issuing.issued_for(connection, run_id)

    def issue_certificate(
        self,
        run: RecordedRun,
        approver: str | None,
        typeset: Callable[[Issue], bytes],
        *,
        because: str | None = None,
    ) -> Issued:
        """Number, typeset, keep and enter a certificate; `because` amends the one before.

        `typeset` is called once, inside the transaction, and gives the PDF's bytes.
        """
        with self._engines.writing() as connection:
            return issuing.issue_certificate(connection, run, approver, typeset, because=because)

    def correct(
        self, run_id: str, *, by: str, reason: str, changes: Mapping[str, str] | None = None
    ) -> Entry:
        """Enter a correction (such as another serial) of a run; what was recorded stays."""
        with self._engines.writing() as connection:
            run = history.recorded(connection, run_id)
            when = datetime.now(UTC)
            return issuing.correct(
                connection, run, by=by, reason=reason, changes=changes or {}, when=when
            )

    # benches

    def bench_state(self, bench: str) -> BenchState | None:
        """Return the newest word about a bench, None while nothing was said: it is open then."""
        with self._engines.reading() as connection:
            return bench_state.bench_state(connection, bench)

    def newest_on_bench(self, sequence: str, bench: str) -> LastCheck | None:
        """Return the newest finished run of a sequence on a bench, None for none."""
        with self._engines.reading() as connection:
            return history.newest_on_bench(connection, sequence, bench)

    def started_anew_at(self, bench: str) -> int:
        """Return the ledger position from which on a bench's charts begin, 0 for the start."""
        with self._engines.reading() as connection:
            return bench_state.started_anew_at(connection, bench)

    def close_bench(self, bench: str, because: str, run: str) -> Entry | None:
        """Close a bench for certificates; None when it is closed already."""
        with self._engines.writing() as connection:
            when = datetime.now(UTC)
            return bench_state.close_bench(connection, bench, because, run, when)

    def clear_bench(self, bench: str, reason: str, by: str, *, anew: bool = False) -> Entry:
        """Open a closed bench again; raises WrongInput when it is not closed."""
        with self._engines.writing() as connection:
            when = datetime.now(UTC)
            return bench_state.clear_bench(connection, bench, reason, by, when, anew=anew)

    def enter(self, kind: EntryKind, subject: str, document: bytes, media_type: str) -> Entry:
        """Keep a document and enter it in the ledger: validation, job, lot, approval."""
        with self._engines.writing() as connection:
            kept = ledger.keep_document(connection, document, media_type)
            return ledger.append(connection, kind, subject, kept, datetime.now(UTC))

    def newest_document(self, kind: EntryKind) -> bytes | None:
        """Return the document of the newest entry of a kind, None while there is none."""
        with self._engines.reading() as connection:
            entry = ledger.newest(connection, kind)
            return None if entry is None else ledger.document(connection, entry.content_sha256)


def _must_exist(engines: Engines) -> None:
    """Who only looks makes no records."""
    file = engines.address.file
    if file is None or file.exists():
        with engines.reading() as connection:
            if revision_of(connection) is not None:
                return
    raise WrongInput(f"no records at {engines.address} yet")


def _marked(engines: Engines, simulated: bool | None) -> bool:
    """Return whether these records hold simulated runs; new ones are marked for ever."""
    with engines.reading() as connection:
        mark = _mark(connection)
    if mark is None:
        if simulated is None:
            raise WrongInput(f"no records at {engines.address} yet")
        with engines.writing() as connection:
            mark = _mark(connection)
            if mark is None:
                mark = simulated
                value = "yes" if simulated else "no"
                connection.execute(insert(about), {"key": "simulated", "value": value})
    if simulated is not None and mark != simulated:
        held, refused = ("simulated", "real") if mark else ("real", "simulated")
        raise WrongInput(
            f"records at {engines.address} hold {held} runs and never take {refused} ones; "
            "name others with --records"
        )
    return mark


def _mark(connection: Connection) -> bool | None:
    value = connection.scalar(select(about.c.value).where(about.c.key == "simulated"))
    return None if value is None else value == "yes"


def _near(names: Iterable[str]) -> str:
    listed = ", ".join(names)
    return f"; near it: {listed}" if listed else ""

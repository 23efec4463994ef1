"""What is said at the end of a lot: a table by cell, its own figures, where each record is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acq.certificates.certificate import BenchClosed, certificate_of
from acq.desk.finding_text import value_text
from acq.desk.tables import Table
from acq.errors import BenchFailure
from acq.readings.conformity import Conformity
from acq.readings.units import format_value
from acq.records.ledger import EntryKind
from acq.records.recorded_run import RecordedRun
from acq.records.records import Records
from acq.runs.ending import worst_conformity
from acq.runs.folders import RunFolder
from acq.runs.journal import encode
from acq.runs.lot_journals import piece_number

OF_LOT = ", distance from the lot"  # how findings end that are judged by the lot
SHOWN = ("resistance Ex+ Ex-", "resistance S+ S-", "zero balance", "insulation leads to housing")
COLUMNS = ("cell", "Rin", "Rout", "zero balance", "insulation", "papers", "lot", "proposed")


@dataclass(frozen=True, slots=True)
class LotPiece:
    """One piece as its own record tells it."""

    serial: str
    run: str
    findings: Mapping[str, Mapping[str, Any]]  # by name

    @property
    def papers(self) -> str:
        """The worst statement of all findings that are not judged by the lot."""
        return self._worst(of_lot=False)

    @property
    def by_lot(self) -> str:
        """The worst statement of those that are; empty where the lot says nothing."""
        return self._worst(of_lot=True)

    @property
    def beyond(self) -> list[str]:
        """The quantities in which it is not its lot's."""
        return [
            name.removesuffix(OF_LOT)
            for name, found in self.findings.items()
            if name.endswith(OF_LOT) and found["conformity"] == Conformity.FAIL.value
        ]

    @property
    def proposed(self) -> str:
        """What the findings propose; a person decides on it."""
        if self.papers in ("fail", "conditional fail"):
            return "reject"
        if self.papers in ("undecided", "withheld", ""):
            return "measure again"
        return "hold" if self.beyond else "accept"

    def _worst(self, *, of_lot: bool) -> str:
        words = [
            Conformity(found["conformity"])
            for name, found in self.findings.items()
            if name.endswith(OF_LOT) is of_lot and found["conformity"]
        ]
        worst = worst_conformity(words)
        return worst.value if worst else ""


def pieces_of(records: Records, lot: RecordedRun) -> list[LotPiece]:
    """Return every piece of a finished lot, from its own record."""
    found = []
    for place, cell in enumerate(lot.opened["sheets"]["cells"], 1):
        run = records.run(piece_number(lot.number, place))
        findings = {str(each["name"]): each for _, each in run.findings()}
        found.append(LotPiece(str(cell["serial"]), run.number, findings))
    return found


def comparison_of(lot: RecordedRun) -> list[Mapping[str, Any]]:
    """Return what the run kept of the lot: median, scale and who is beyond, by quantity."""
    kept = [line.content["got"] for line in lot.effects("lot")]
    return list(kept[-1]) if kept else []


def bench_minutes_per_cell(lot: RecordedRun) -> float:
    """The run's bench time, hands and waits included, over its pieces."""
    seconds = (lot.lines[-1].content["t"] - lot.lines[0].content["t"]) / 1e9
    return float(seconds / 60.0 / len(lot.opened["sheets"]["cells"]))


def parts(lot: RecordedRun, pieces: Sequence[LotPiece]) -> Iterator[Table | str]:
    """The report, piece by piece."""
    yield Table(f"lot {lot.serial}, run {lot.number}", COLUMNS, tuple(map(_row, pieces)))
    compared = comparison_of(lot)
    if compared:
        rows = tuple(_compared(each) for each in compared)
        columns = ("quantity", "median", "robust scale", "of", "beyond")
        yield Table("the lot by itself", columns, rows)
    else:
        yield "too few pieces: no lot to compare with\n"
    told = ", ".join(
        f"{sum(piece.proposed == word for piece in pieces)} {word}"
        for word in ("accept", "hold", "measure again", "reject")
        if any(piece.proposed == word for piece in pieces)
    )
    yield f"proposed: {told}; whoever is responsible for the lot decides"
    yield f"bench time: {bench_minutes_per_cell(lot):.2f} min per cell"


def _row(piece: LotPiece) -> tuple[str, ...]:
    values = [_value(piece.findings.get(name)) for name in SHOWN]
    return (piece.serial, *values, piece.papers or "-", _lot(piece), piece.proposed)


def _lot(piece: LotPiece) -> str:
    if piece.beyond:
        more = f" and {len(piece.beyond) - 1} more" if len(piece.beyond) > 1 else ""
        return f"beyond: {piece.beyond[0]}{more}"
    return "within" if piece.by_lot == "pass" else "-"


def _value(found: Mapping[str, Any] | None) -> str:
    return "-" if found is None else value_text(found)


def _compared(each: Mapping[str, Any]) -> tuple[str, ...]:
    unit, beyond = str(each["unit"]), ", ".join(each["beyond"]) or "-"
    scale = format_value(each["scale"], unit)
    median = format_value(each["median"], unit, each["scale"])
    return (str(each["name"]), median, scale, str(each["count"]), beyond)


def document(lot: RecordedRun, pieces: Sequence[LotPiece]) -> dict[str, Any]:
    """The lot as one document: what is entered in the ledger, and said by --json."""
    return {
        "lot": lot.serial,
        "run": lot.number,
        "bench_minutes_per_cell": bench_minutes_per_cell(lot),
        "comparison": comparison_of(lot),
        "pieces": [
            {
                "serial": piece.serial,
                "run": piece.run,
                "papers": piece.papers,
                "lot": piece.by_lot,
                "beyond": piece.beyond,
                "proposed": piece.proposed,
            }
            for piece in pieces
        ],
    }


def enter(records: Records, told: Mapping[str, Any]) -> None:
    """Enter the finished lot in the ledger, once: the same lot and run have the same content."""
    content = encode(dict(told))
    if records.newest_document(EntryKind.LOT) != content:
        records.enter(EntryKind.LOT, str(told["lot"]), content, "application/json")


def certificates(
    records: Records, folder: RunFolder, pieces: Sequence[LotPiece]
) -> tuple[list[Path], str]:
    """Write the certificate of every piece beside the lot's journal; or say why there is none."""
    written: list[Path] = []
    for piece in pieces:
        path = folder.path / f"{piece.run}.pdf"
        try:
            path.write_bytes(certificate_of(records, records.run(piece.run)))
        except BenchClosed as error:
            return written, str(error)
        except OSError as error:
            raise BenchFailure(f"{path} cannot be written: {error.strerror}") from error
        written.append(path)
    return written, ""

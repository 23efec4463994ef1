"""The record of each piece of a lot, out of the one journal of the run that tested them all.

The lot's journal is the truth: one process wrote it, line after line. A piece's journal is a
projection of it, so that a piece has a run, findings, history and a certificate as a cell that
was tested alone has. Its first line freezes the piece's own papers and names the lot's run; each
other line carries, as `lot_line`, the line that it was taken from. The same journal of a lot
always gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from acq.readings.conformity import Conformity
from acq.runs.ending import exit_code_of, worst_conformity
from acq.runs.journal import NOTHING_BEFORE, Line, encode, line_of

WHOSE = "cells"
"""The kind of effect by which a check that several pieces share says whose it is."""
_LEFT_OUT = ("finding", WHOSE, "lot")  # of a shared check: they speak of all of them


@dataclass(frozen=True, slots=True)
class PieceJournal:
    """One piece: its serial, the number of its run, its journal's raw lines."""

    serial: str
    number: str
    lines: tuple[bytes, ...]


def is_lot(opened: Mapping[str, Any]) -> bool:
    """Whether a journal's first line opens a run on a lot."""
    cells = (opened.get("sheets") or {}).get("cells")  # of a chain they are a table by number
    return isinstance(cells, list) and all("data_sheet" in cell for cell in cells)


def piece_number(lot_run: str, place: int) -> str:
    """Return the number of the run of the piece that stands at this place of the lot, from 1."""
    return f"{lot_run}-{place:02}"


def piece_journals(lines: Sequence[Line]) -> Iterator[PieceJournal]:
    """Yield the journal of every piece of a lot whose checks are all done."""
    opened = lines[0].content
    checks = _whole_checks(lines)
    for place, cell in enumerate(opened["sheets"]["cells"], 1):
        number = piece_number(str(opened["run"]["number"]), place)
        writer = _Writer()
        writer.add(_opening(opened, cell, number))
        for content in _of_piece(checks, str(cell["serial"])):
            writer.add(content)
        writer.add(_closing(writer.lines))
        yield PieceJournal(str(cell["serial"]), number, tuple(x.raw for x in writer.lines))


class _Writer:
    """Chains lines as a journal does."""

    def __init__(self) -> None:
        self.lines: list[Line] = []

    def add(self, content: Mapping[str, Any]) -> None:
        head = self.lines[-1].digest if self.lines else NOTHING_BEFORE
        entry = {**content, "line": len(self.lines) + 1, "prev": head}
        self.lines.append(line_of(encode(entry) + b"\n"))


def _opening(opened: Mapping[str, Any], cell: Mapping[str, Any], number: str) -> dict[str, Any]:
    sheets = opened["sheets"]
    told = {key: sheets[key] for key in ("order", "delivery_note", "note") if sheets.get(key)}
    of_lot = {"serial": sheets["serial"], "run": opened["run"]["number"], **told}
    return {
        **opened,
        "run": {**opened["run"], "id": number, "number": number},
        "cell": {"serial": cell["serial"], "type": cell["data_sheet"]["type"]},
        "sheets": cell,
        "lot": {**of_lot, "pieces": len(sheets["cells"])},
    }


def _whole_checks(lines: Sequence[Line]) -> list[list[Line]]:
    """Return checks from opening to closing, and between them each line that takes a run up."""
    found: list[list[Line]] = []
    running: dict[str, list[Line]] = {}
    for line in lines[1:]:
        match line.what:
            case "resumed":
                running.clear()  # what was cut off belongs to no closing
                found.append([line])
            case "check-opened":
                running[line.content["check"]] = [line]
            case "effect":
                running[line.content["check"]].append(line)
            case "check-closed":
                found.append([*running.pop(line.content["check"], []), line])
    return found


def _of_piece(checks: Sequence[Sequence[Line]], serial: str) -> Iterator[dict[str, Any]]:
    """Yield what concerns a piece; a taking up only where something came after it."""
    waiting: list[Line] = []
    for lines in checks:
        if lines[0].what == "resumed":
            waiting.append(lines[0])
            continue
        mine = _own(lines, serial) or _shared(lines, serial)
        if not mine:
            continue
        for line in waiting:
            yield {**line.content, "lot_line": line.number}
        waiting.clear()
        yield from mine


def _own(lines: Sequence[Line], serial: str) -> list[dict[str, Any]]:
    """A check of this piece alone, by the names that it has in a run on one cell."""
    before = f"{serial}: "
    if not str(lines[-1].content["check"]).startswith(before):
        return []
    return [_stripped(line, before) for line in lines]


def _stripped(line: Line, before: str) -> dict[str, Any]:
    content = {**line.content, "lot_line": line.number}
    content["check"] = content["check"].removeprefix(before)
    if content.get("kind") == "finding":
        name = content["got"]["name"].removeprefix(before)
        content |= {"ask": name, "got": {**content["got"], "name": name}}
    return content


def _shared(lines: Sequence[Line], serial: str) -> list[dict[str, Any]]:
    """A check of several pieces, where this one was among them: its readings count for each."""
    whose = [line.content["got"] for line in lines if line.content.get("kind") == WHOSE]
    if not any(serial in each for each in whose):
        return []
    return [
        {**line.content, "lot_line": line.number}
        for line in lines
        if line.content.get("kind") not in _LEFT_OUT
    ]


def _closing(lines: Sequence[Line]) -> dict[str, Any]:
    """How the piece came out, by the newest attempt of each of its checks."""
    of_check: dict[str, list[Conformity]] = {}
    for line in lines:
        if line.what == "check-opened":
            of_check[line.content["check"]] = []
        elif line.content.get("kind") == "finding" and line.content["got"]["conformity"]:
            found = Conformity(line.content["got"]["conformity"])
            of_check[line.content["check"]].append(found)
    every = [word for words in of_check.values() for word in words]
    worst = worst_conformity(every)
    return {
        "what": "closed",
        "t": lines[-1].content["t"],
        "state": "finished",
        "exit_code": int(exit_code_of(every)),
        "conformity": worst.value if worst else None,
        "because": "",
    }

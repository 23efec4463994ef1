"""What a journal's lines say, as records keep it: pure, used to write, to show and to verify."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from acq.errors import BenchFailure
from acq.runs.journal import Line

OPEN = "open"
# after these lines a journal stands between two checks: what is delivered ends at one of them
BOUNDARIES = frozenset({"opened", "check-closed", "closed"})


class JournalBroken(BenchFailure):
    """Lines of a journal do not follow each other; names the line."""

    def __init__(self, run_id: str, line: int, reason: str) -> None:
        self.line = line
        super().__init__(f"journal of run {run_id}, line {line}: {reason}")


@dataclass(frozen=True, slots=True)
class NotedFinding:
    """A finding as the journal holds it, with its line."""

    line: int
    content: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class ClosedCheck:
    """One closing of a check, with the findings that belong to it."""

    line: int
    name: str
    attempt: int
    state: str  # done, withheld, repeated, skipped
    because: str | None
    findings: tuple[NotedFinding, ...]


@dataclass(frozen=True, slots=True)
class Closing:
    """How a run ended, as its newest line about it says."""

    state: str = OPEN  # open, finished, interrupted, failed
    closed_at: datetime | None = None
    exit_code: int | None = None
    conformity: str | None = None


def parse_lines(
    run_id: str, raws: Sequence[bytes], *, first: int, previous: str, reported: str | None = None
) -> list[Line]:
    """Return the lines, checked to follow each other from number `first` on.

    `previous` is the digest that the first one must carry. Raises JournalBroken.
    """
    lines: list[Line] = []
    name = reported or run_id
    for number, raw in enumerate(raws, start=first):
        line = Line(raw, _content(name, number, raw))
        if line.content.get("line") != number:
            raise JournalBroken(name, number, f"is numbered {line.content.get('line')!r}")
        if line.content.get("prev") != previous:
            raise JournalBroken(name, number, "does not carry the digest of the line before it")
        previous = line.digest
        lines.append(line)
    return lines


def _content(run_id: str, number: int, raw: bytes) -> Mapping[str, Any]:
    if not raw.endswith(b"\n") or raw.count(b"\n") != 1:
        raise JournalBroken(run_id, number, "is not one whole line")
    try:
        content = json.loads(raw)
    except ValueError:
        raise JournalBroken(run_id, number, "is not JSON") from None
    if not isinstance(content, dict) or "what" not in content:
        raise JournalBroken(run_id, number, "is not a journal line")
    return content


def up_to_boundary(lines: Sequence[Line]) -> Sequence[Line]:
    """Return the lines up to the last one after which no check is open."""
    for end in range(len(lines), 0, -1):
        if lines[end - 1].what in BOUNDARIES:
            return lines[:end]
    return ()


def checks_in(lines: Iterable[Line]) -> list[ClosedCheck]:
    """Return each closing of a check in order, with the findings of that attempt.

    Findings of an attempt that was cut off belong to no closing and are left to the journal.
    """
    closed: list[ClosedCheck] = []
    pending: dict[str, list[NotedFinding]] = {}
    for line in lines:
        check = str(line.content.get("check", ""))
        match line.what:
            case "check-opened":  # anew after an attempt that was cut off
                pending[check] = []
            case "effect" if line.content["kind"] == "finding":
                found = NotedFinding(line.number, line.content["got"])
                pending.setdefault(check, []).append(found)
            case "check-closed":
                closed.append(_closed_check(line, check, pending.pop(check, [])))
    return closed


def _closed_check(line: Line, check: str, findings: list[NotedFinding]) -> ClosedCheck:
    said = line.content
    return ClosedCheck(
        line=line.number,
        name=check,
        attempt=int(said.get("attempt", 1)),
        state=str(said.get("state", "done")),
        because=said.get("because") or None,
        findings=tuple(findings),
    )


def latest_of_each(checks: Iterable[ClosedCheck]) -> tuple[list[ClosedCheck], list[ClosedCheck]]:
    """Return (the closings that hold, the earlier ones that a later attempt replaced)."""
    listed = list(checks)
    newest = {check.name: check.line for check in listed}
    holding = [check for check in listed if newest[check.name] == check.line]
    return holding, [check for check in listed if newest[check.name] != check.line]


def opened_at(first: Line) -> datetime:
    """Return when the run was opened, in UTC."""
    moment = datetime.fromisoformat(first.content["run"]["opened_at"])
    if moment.utcoffset() is None:
        raise JournalBroken(first.content["run"]["id"], 1, "opened_at has no time zone")
    return moment.astimezone(UTC)


def moment_of(first: Line, t_ns: int) -> datetime:
    """Return bench time `t_ns` as a moment in UTC, to the microsecond (rounded down)."""
    return opened_at(first) + timedelta(microseconds=(t_ns - first.content["t"]) // 1000)


def closing_of(first: Line, lines: Iterable[Line], before: Closing | None = None) -> Closing:
    """Return how the run stands after `lines`; a resumed run is open again."""
    closing = before or Closing()
    for line in lines:
        if line.what == "resumed":
            closing = Closing()
        elif line.what == "closed":
            said = line.content
            closing = Closing(
                state=str(said["state"]),
                closed_at=moment_of(first, said["t"]),
                exit_code=said.get("exit_code"),
                conformity=said.get("conformity"),
            )
    return closing


def digest_of(data: bytes) -> str:
    """Return the SHA-256 of bytes, in hex."""
    return hashlib.sha256(data).hexdigest()

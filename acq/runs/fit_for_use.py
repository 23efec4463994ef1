"""Whether a bench may be used today: calibrations in date, and its check standard read lately.

Looked at before anything is switched on. What is not in order stops the run, or marks every
finding of it "for indication only"; either way it is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, Literal, Protocol

from pydantic import Field

from acq.bench.bench_file import BenchFile
from acq.readings.conformity import Conformity
from drivers.written_file import Written

CHECK_STANDARD = "check-standard"  # the sequence
KEPT: Literal["benches with a check standard"] = "benches with a check standard"


class CheckOfTheDay(Written):
    """Short, null and kept bridge of the bench must have been read lately, and been in order.

    `on` says whether a bench that has never seen a check standard may be used without one.
    """

    within_hours: Annotated[float, Field(gt=0)] = 24.0
    on: Literal["every bench", "benches with a check standard"] = "every bench"
    source: str = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class LastCheck:
    """The newest check standard that was read on a bench."""

    number: str
    serial: str
    at: datetime
    passed: bool


def out_of_order(finding: Mapping[str, Any]) -> bool:
    """Whether a check standard's finding, as the journal has it, speaks against the bench.

    So does a mere bound: the kept values are numbers, and an instrument that shows none of them
    is not known to be in order.
    """
    word = finding["conformity"]
    rejected = word is not None and Conformity(word).rejected
    return rejected or (finding["limit_kind"] is not None and word != Conformity.PASS.value)


class CheckBook(Protocol):
    """Who knows what was read on a bench before."""

    def newest_on_bench(self, sequence: str, bench: str) -> LastCheck | None: ...


@dataclass(frozen=True, slots=True)
class DayCheck:
    """What was found: `missing` says why the bench is not in order, empty when it is."""

    said: str
    missing: str = ""
    run: str = ""

    def as_json(self) -> dict[str, Any]:
        return {"said": self.missing or self.said, "run": self.run, "missing": bool(self.missing)}


def check_of_the_day(
    wanted: CheckOfTheDay | None, book: CheckBook, bench: str, now: datetime
) -> DayCheck | None:
    """Return the check of the day that a plan wants of a bench; None when it wants none."""
    if wanted is None:
        return None
    newest = book.newest_on_bench(CHECK_STANDARD, bench)
    if newest is None:
        if wanted.on == KEPT:
            return DayCheck("none: this bench keeps no check standard")
        return DayCheck("", f"bench {bench!r} has no check standard that was read")
    told = f"check standard {newest.serial}, run {newest.number}"
    hours = (now - newest.at).total_seconds() / 3600.0
    if not newest.passed:
        return DayCheck("", f"{told}, failed on bench {bench!r}", newest.number)
    if abs(hours) > wanted.within_hours:
        old = f"{told}, is {hours:.1f} h old on bench {bench!r}, the plan wants at most"
        return DayCheck("", f"{old} {wanted.within_hours:g} h", newest.number)
    return DayCheck(f"{told}, in order {newest.at:%Y-%m-%d %H:%M} UTC", run=newest.number)


def overdue(bench: BenchFile, roles: Iterable[str], today: date, *, loads: bool) -> list[str]:
    """Return what of these roles, and of weights and rig when `loads`, is past its due date."""
    late = []
    for role in roles:
        entry = bench.instruments.get(role)
        if entry is not None and entry.overdue(today):
            late.append(f"{role} since {entry.holds_until}")
        elif entry is not None and entry.to_come(today):
            late.append(f"{role}, whose day of calibration {entry.calibrated} is still to come")
    return late + (list(loads_overdue(bench, today)) if loads else [])


def loads_overdue(bench: BenchFile, today: date) -> Iterator[str]:
    """Yield the weights and the reference cell that are past their due date."""
    for weight in bench.weights:
        if weight.due is not None and weight.due < today:
            which = f" {weight.serial}" if weight.serial else ""
            yield f"weights{which} of {weight.nominal_kilograms:g} kg since {weight.due}"
    reference = bench.rig.reference if bench.rig is not None else None
    if reference is not None and reference.due is not None and reference.due < today:
        yield f"reference cell since {reference.due}"

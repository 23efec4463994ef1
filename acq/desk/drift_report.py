"""A log in, its drift report out: as text, as one document and as pictures.

Columns: time (seconds, hh:mm:ss or ISO 8601) and value, and where there are temperature, humidity
and raw. An empty value is a gap: it is counted and said, never filled.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from acq.cells.paper_units import NUMBER
from acq.desk.series_csv import OVER_RANGE, Row, Sheet, stream_sheet
from acq.desk.tables import Table
from acq.errors import WrongInput

if TYPE_CHECKING:
    from acq.analysis.drift import DriftRecord, DriftReport
    from acq.analysis.thinning import Thinning

COLUMNS = ("time", "value")
OPTIONAL = ("temperature", "humidity", "raw")


@dataclass(frozen=True, slots=True)
class DriftLog:
    """A record from a file, how many gaps it has, and how many readings each point stands for."""

    record: DriftRecord
    gaps: int
    readings: int
    group: int = 1
    noise: float = 0.0


def read_log(
    path: Path, unit: str | None, excited: str | None = None, loaded: str | None = None
) -> DriftLog:
    """Return the record of a CSV file. Times of events are written as in its time column.

    Memory does not grow with the file: more than some thousand readings are averaged down.
    Raises WrongInput that names file and row.
    """
    from acq.analysis.thinning import MOST_POINTS, Thinning

    sheet, rows = stream_sheet(path, COLUMNS, OPTIONAL)
    names = [name for name in ("temperature", "humidity") if name in sheet.columns]
    thinning = Thinning(len(names))
    raw: list[str] | None = [] if "raw" in sheet.columns else None
    first: Row | None = None
    zero, gaps, before = 0.0, 0, -1.0
    chunk: list[list[float]] = []
    for row in rows:
        if not row.cells["value"]:
            gaps += 1
            continue
        if first is None:
            first, zero = row, _moment(sheet, row, row.cells["time"])
        time_s = _moment(sheet, row, row.cells["time"]) - zero
        if time_s <= before:
            raise WrongInput(f"{path}: row {row.number}: times must rise")
        before = time_s
        chunk.append([time_s, *(_number(sheet, row, name) for name in ("value", *names))])
        if raw is not None and len(raw) <= MOST_POINTS:
            raw.append(row.cells["raw"])
        if len(chunk) >= _CHUNK:
            thinning.add(*_columns_of(chunk))
            chunk = []
    if first is None:
        raise WrongInput(f"{path}: no row has a value")
    if chunk:
        thinning.add(*_columns_of(chunk))
    events = {
        "excited_s": None if excited is None else _moment(sheet, first, excited) - zero,
        "loaded_s": None if loaded is None else _moment(sheet, first, loaded) - zero,
    }
    named = unit or sheet.units.get("value", "") or "units"
    return drift_log(path, thinning, named, names, events, gaps, raw)


_CHUNK = 1000


def drift_log(
    path: Path,
    thinning: Thinning,
    unit: str,
    names: Sequence[str],
    events: Mapping[str, float | None],
    gaps: int,
    raw: Sequence[str] | None = None,
) -> DriftLog:
    """Return the record of readings that were brought down; raises WrongInput for too few."""
    from acq.analysis.drift import DriftRecord

    found = thinning.result()
    weather = dict(zip(names, found.more, strict=True))
    try:
        record = DriftRecord(
            times_s=found.times_s,
            values=found.values,
            unit=unit,
            raw=tuple(raw) if raw is not None and len(raw) == len(found.values) else None,
            temperature=weather.get("temperature"),
            humidity=weather.get("humidity"),
            **events,
        )
    except ValueError as error:
        raise WrongInput(f"{path}: {error}") from None
    return DriftLog(record, gaps, found.readings, found.group, found.noise)


def _columns_of(chunk: list[list[float]]) -> Any:
    import numpy as np

    return np.array(chunk).T


def _number(sheet: Sheet, row: Row, column: str) -> float:
    text = row.cells[column]
    match = re.fullmatch(rf"({NUMBER})(\s*[^\d\s].*)?", text)
    if match is None:
        raise WrongInput(f"{sheet.file}: row {row.number}: {column} {text!r} is not a number")
    number = float(match[1].replace(",", "."))
    if abs(number) >= OVER_RANGE:
        raise WrongInput(
            f"{sheet.file}: row {row.number}: {column} {text} is an instrument's over-range mark"
        )
    return number


def _moment(sheet: Sheet, row: Row, text: str) -> float:
    """Seconds of "12.5", "08:15:30" or an ISO 8601 moment."""
    if re.fullmatch(NUMBER, text):
        return float(text.replace(",", "."))
    clock = re.fullmatch(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?", text)
    if clock:
        return 3600.0 * int(clock[1]) + 60.0 * int(clock[2]) + float(clock[3] or 0.0)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise WrongInput(
            f"{sheet.file}: row {row.number}: time {text!r}: allowed are seconds, hh:mm:ss or"
            " ISO 8601"
        ) from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def parts(log: DriftLog, report: DriftReport) -> list[Table | str]:
    """The report, piece by piece."""
    record = log.record
    hours = float(record.times_s[-1] - record.times_s[0]) / 3600.0
    head = f"{log.readings} readings over {hours:.2f} h" + _gaps(log)
    if log.group > 1:
        head += f"; averaged by {log.group}, single readings scatter by {log.noise:.3g}"
    lines = [f"{report.cause.value}", f"  {report.because}", "", head, "", "Causes, largest first"]
    lines += [f"  {share.swing:9.3g} {record.unit}  {share.sentence}" for share in report.shares]
    lines += ["", *(f"note: {note}" for note in report.notes)]
    lines.append(f"left unexplained: {report.left:.3g} {record.unit} (standard deviation)")
    return ["\n".join(lines)]


def _gaps(log: DriftLog) -> str:
    return f", {log.gaps} gaps without a value" if log.gaps else ""


def document(log: DriftLog, report: DriftReport) -> dict[str, Any]:
    """The report as one JSON document; times in s from the first reading."""
    record = log.record
    times = record.times_s
    return {
        "cause": report.cause.value,
        "because": report.because,
        "unit": record.unit,
        "readings": log.readings,
        "averaged_by": log.group,
        "gaps": log.gaps,
        "seconds": float(times[-1] - times[0]),
        "shares": [
            {
                "cause": share.cause.value,
                "swing": share.swing,
                "sentence": share.sentence,
                "numbers": {
                    k: v if abs(v) != float("inf") else None for k, v in share.numbers.items()
                },
            }
            for share in report.shares
        ],
        "noise": report.noise,
        "left": report.left,
        "spikes_s": [float(times[k]) for k in report.spikes],
        "steps": [{"at_s": float(times[j.index]), "size": j.size} for j in report.steps],
        "allan": [
            {"averaging_s": p.averaging_s, "deviation": p.deviation, "pairs": p.pairs}
            for p in report.allan
        ],
        "notes": list(report.notes),
    }

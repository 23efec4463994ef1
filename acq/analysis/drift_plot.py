"""Pictures of a drift report: the reading with what explains it, what is left, and averaging."""

from __future__ import annotations

import math

import numpy as np

from acq.analysis.drift import DriftRecord, DriftReport
from acq.analysis.drift_events import Array
from acq.analysis.svg import BOLD, DASHED, FINE, PLAIN, Picture, axis, dash_sample, disc

MOST_BINS = 600  # columns of the picture: each shows its smallest and largest reading


def drift_pictures(record: DriftRecord, report: DriftReport) -> dict[str, str]:
    """Return SVG pictures by file name."""
    pictures = {
        "drift-reading.svg": _reading(record, report),
        "drift-left.svg": _left(record, report),
    }
    if len(report.allan) > 1:
        pictures["drift-averaging.svg"] = _averaging(record, report)
    return pictures


def _hours(record: DriftRecord) -> Array:
    return np.asarray((record.times_s - record.times_s[0]) / 3600.0)


def _reading(record: DriftRecord, report: DriftReport) -> str:
    hours = _hours(record)
    picture = Picture(
        f"Reading: {report.cause.value}",
        f"The reading over the hours, what explains it as a bold line. {report.because}",
        axis([0.0, float(hours[-1])], "hours since the start of the record"),
        axis([*_ends(record.values), *_ends(report.fitted)], f"reading in {record.unit}"),
    )
    _trace(picture, hours, record.values)
    picture.line(_thinned(hours, report.fitted), BOLD)
    for place in report.spikes[:200]:
        picture.mark(float(hours[place]), float(record.values[place]), hollow=True)
    for jump in report.steps[:50]:
        at = float(hours[jump.index])
        picture.line([(at, picture.y.low), (at, picture.y.high)], FINE, DASHED)
    picture.explain(dash_sample(FINE), "reading")
    picture.explain(dash_sample(BOLD), "explained")
    if report.spikes:
        picture.explain(disc(0, 0, True), "spike")
    if report.steps:
        picture.explain(dash_sample(FINE, DASHED), "step")
    return picture.text()


def _left(record: DriftRecord, report: DriftReport) -> str:
    hours, rest = _hours(record), record.values - report.fitted
    rest = np.delete(rest, list(report.spikes))
    hours = np.delete(hours, list(report.spikes))
    picture = Picture(
        "What is left",
        "The reading without what explains it and without spikes, over the hours.",
        axis([0.0, float(hours[-1])], "hours since the start of the record"),
        axis(_ends(rest), f"left in {record.unit}"),
    )
    _trace(picture, hours, rest)
    return picture.text()


def _averaging(record: DriftRecord, report: DriftReport) -> str:
    points = [
        (math.log10(point.averaging_s), math.log10(point.deviation), point)
        for point in report.allan
        if point.deviation > 0.0
    ]
    picture = Picture(
        "Allan deviation",
        "Deviation between neighbouring means over the averaging time, both as powers of ten.",
        axis([x for x, _, _ in points] or [0.0], "averaging time, power of ten of a second"),
        axis([y for _, y, _ in points] or [0.0], f"deviation, power of ten of 1 {record.unit}"),
    )
    picture.line([(x, y) for x, y, _ in points], PLAIN)
    for x, y, _ in points:
        picture.mark(x, y)
    return picture.text()


def _ends(values: Array) -> list[float]:
    return [float(np.min(values)), float(np.max(values))]


def _trace(picture: Picture, hours: Array, values: Array) -> None:
    """Draw every reading's extent: smallest and largest of each column of the picture."""
    points: list[tuple[float, float]] = []
    for part in np.array_split(np.arange(len(values)), min(MOST_BINS, len(values))):
        first, last = sorted((int(np.argmin(values[part])), int(np.argmax(values[part]))))
        points += [(float(hours[part[k]]), float(values[part[k]])) for k in {first: 0, last: 0}]
    picture.line(points, FINE)


def _thinned(hours: Array, values: Array) -> list[tuple[float, float]]:
    places = np.unique(np.linspace(0, len(values) - 1, 2 * MOST_BINS).astype(int))
    return [(float(hours[k]), float(values[k])) for k in places]

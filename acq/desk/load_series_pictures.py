"""The pictures of a load series, by file name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from acq.analysis.load_results import Point
from acq.analysis.load_series import Direction
from acq.analysis.oiml_r60_results import LoadTest
from acq.analysis.plots import LimitStep, Plotted, class_limits, deviation_plot, hysteresis_plot
from acq.analysis.reference_lines import Line
from acq.desk.load_series_findings import Findings


def pictures(findings: Findings) -> Mapping[str, str]:
    """Return pictures by file name."""
    made: dict[str, str] = {}
    if findings.results is not None:
        made["deviation.svg"] = deviation_plot(
            _plotted(findings.results.points),
            line=findings.line.words,
            x_label=f"load, {findings.units.load}",
            y_label="deviation, % of rated output",
        )
    if findings.terminal is not None and findings.terminal.hysteresis is not None:
        made["hysteresis.svg"] = hysteresis_plot(
            _plotted(findings.terminal.points),
            x_label=f"load, {findings.units.load}",
            y_label="deviation, % of rated output",
        )
    if findings.test is not None:
        made["class.svg"] = _class_plot(findings, findings.test)
    return made


def _plotted(points: Sequence[Point]) -> list[Plotted]:
    return [
        Plotted(
            point.load,
            100.0 * point.deviation.value,
            None if point.deviation.expanded is None else 100.0 * point.deviation.expanded,
            point.direction is Direction.DOWN,
        )
        for point in points
    ]


def _class_plot(findings: Findings, test: LoadTest) -> str:
    limits: Sequence[LimitStep] = class_limits(test.span)
    points = [
        Plotted(
            each.load,
            each.result.value,
            each.result.expanded,
            each.direction is Direction.DOWN,
        )
        for each in test.errors
    ]
    return deviation_plot(
        points,
        line=Line.SEVENTY_FIVE.words,
        x_label=f"load, {findings.units.load}",
        y_label="error E_L, v",
        limits=limits,
        limits_label=f"mpe of class {test.span.accuracy.symbol}, p_LC {test.span.apportioning:g}",
    )

"""The pictures of a load series from its results: deviation, hysteresis loop, class limits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from acq.analysis.load_results import LoadResults, Point
from acq.analysis.load_series import Direction
from acq.analysis.oiml_r60_results import LoadTest
from acq.analysis.plots import LimitStep, Plotted, class_limits, deviation_plot, hysteresis_plot
from acq.analysis.reference_lines import Line

_DEVIATION = "deviation, % of rated output"


def deviation_picture(
    found: LoadResults,
    unit: str,
    limits: Sequence[LimitStep] = (),
    limits_label: str = "limit",
) -> str:
    """Return the SVG of the deviations from the results' own line; loads are in `unit`."""
    return deviation_plot(
        _in_percent(found.points),
        line=found.line.words,
        x_label=f"load, {unit}",
        y_label=_DEVIATION,
        limits=limits,
        limits_label=limits_label,
    )


def hysteresis_picture(terminal: LoadResults, unit: str) -> str:
    """Return the SVG of the loop; the results must be those of the terminal line."""
    return hysteresis_plot(
        _in_percent(terminal.points), x_label=f"load, {unit}", y_label=_DEVIATION
    )


def class_picture(test: LoadTest, unit: str) -> str:
    """Return the SVG of the errors in verification intervals between the class's limits."""
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
        x_label=f"load, {unit}",
        y_label="error E_L, v",
        limits=class_limits(test.span),
        limits_label=f"limits of {test.span.accuracy.symbol}, p_LC {test.span.apportioning:g}",
    )


def _in_percent(points: Iterable[Point]) -> list[Plotted]:
    return [
        Plotted(
            point.load,
            100.0 * point.deviation.value,
            None if point.deviation.expanded is None else 100.0 * point.deviation.expanded,
            point.direction is Direction.DOWN,
        )
        for point in points
    ]

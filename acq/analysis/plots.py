"""Pictures where people look rather than read; each stays readable on a black-and-white copy.

Rising points are full and joined by a solid line, falling ones hollow with a dashed line; limits
are bold, uncertainty is a bar. Values come in the units that are written on the axes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from acq.analysis.oiml_r60 import MeasuringRange
from acq.analysis.svg import (
    BOLD,
    DASHED,
    FINE,
    PLAIN,
    Picture,
    axis,
    dash_sample,
    disc,
)


@dataclass(frozen=True, slots=True)
class Plotted:
    """One point to show: `half` is its expanded uncertainty, None where none can be stated."""

    x: float
    y: float
    half: float | None = None
    falling: bool = False


@dataclass(frozen=True, slots=True)
class LimitStep:
    """A limit that holds for both signs from one x to another."""

    start: float
    end: float
    limit: float


def class_limits(span: MeasuringRange) -> tuple[LimitStep, ...]:
    """Return the permissible errors of a class in v over the measuring range."""
    edges = (span.minimum_load, *span.mpe_steps(), span.maximum_load)
    return tuple(LimitStep(low, high, span.mpe_v(high)) for low, high in pairwise(edges))


def deviation_plot(
    points: Sequence[Plotted],
    *,
    line: str,
    x_label: str,
    y_label: str,
    limits: Sequence[LimitStep] = (),
    limits_label: str = "limit",
) -> str:
    """Return the deviation from the named line over the load, with limits and uncertainty."""
    picture = _picture(
        f"Deviation from the {line} line",
        f"Deviation of each point from the {line} line over the load, rising and falling, "
        "with expanded uncertainty" + (" and limits." if limits else "."),
        points,
        x_label,
        y_label,
        [sign * step.limit for step in limits for sign in (-1.0, 1.0)],
    )
    _limits(picture, limits)
    _branches(picture, points)
    _legend(picture, points)
    if limits:
        picture.explain(dash_sample(BOLD), limits_label)
    return picture.text()


def hysteresis_plot(points: Sequence[Plotted], *, x_label: str, y_label: str) -> str:
    """Return the loop of rising and falling output, with the straight part taken away.

    Drawn to scale the loop would be thinner than its own line, so the values are deviations
    from the terminal line.
    """
    picture = _picture(
        "Hysteresis loop (deviation from the terminal line)",
        "Rising and falling branch over the load, each less the terminal line.",
        points,
        x_label,
        y_label,
    )
    _branches(picture, points)
    _legend(picture, points)
    return picture.text()


def creep_plot(
    creep: Sequence[tuple[float, float]],
    recovery: Sequence[tuple[float, float]] = (),
    *,
    y_label: str,
    fitted: Callable[[float], float] | None = None,
    limit: float | None = None,
    half: float | None = None,
) -> str:
    """Return creep under load and the recovery after it over minutes.

    Both start at zero. `fitted` gives the curve over minutes; `half` is the expanded uncertainty
    of one value, drawn at 30 min.
    """
    bounds = [] if limit is None else [-limit, limit]
    ends = [y + sign * (half or 0.0) for _, y in creep[-1:] for sign in (-1.0, 1.0)]
    shown = [Plotted(x, y) for x, y in (*creep, *recovery)]
    picture = _picture(
        "Creep at constant load, and recovery",
        "Change of the output since the initial reading over the minutes under load"
        + (", and since unloading." if recovery else "."),
        shown,
        "minutes since the initial reading",
        y_label,
        [*bounds, *ends],
    )
    if limit is not None:
        last = max(x for x, _ in creep)
        _limits(picture, [LimitStep(0.0, last, limit)])
    _creep_curves(picture, creep, recovery, fitted)
    if half is not None:
        picture.bar(*creep[-1], half)
    _creep_legend(picture, bool(recovery), fitted is not None, limit is not None)
    if half is not None:
        _explain_bar(picture)
    return picture.text()


def _creep_curves(
    picture: Picture,
    creep: Sequence[tuple[float, float]],
    recovery: Sequence[tuple[float, float]],
    fitted: Callable[[float], float] | None,
) -> None:
    if fitted is not None:
        last = max(x for x, _ in creep)
        picture.line([(last * k / 120, fitted(last * k / 120)) for k in range(121)], PLAIN)
    for points, hollow in ((creep, False), (recovery, True)):
        for x, y in points[:: max(1, len(points) // 60)]:
            picture.mark(x, y, hollow)
    if recovery:
        picture.line(recovery, FINE, DASHED)


def _creep_legend(picture: Picture, recovery: bool, fitted: bool, limited: bool) -> None:
    picture.explain(disc(0, 0, False), "creep")
    if fitted:
        picture.explain(dash_sample(PLAIN), "fit")
    if recovery:
        picture.explain(disc(0, 0, True), "recovery")
    if limited:
        picture.explain(dash_sample(BOLD), "limit")


def _picture(
    title: str,
    description: str,
    points: Sequence[Plotted],
    x_label: str,
    y_label: str,
    further: Sequence[float] = (),
) -> Picture:
    ends = [p.y + sign * (p.half or 0.0) for p in points for sign in (-1.0, 1.0)]
    x = axis([0.0, *(p.x for p in points)], x_label)
    y = axis([0.0, *ends, *(1.05 * value for value in further)], y_label)
    return Picture(title, description, x, y)


def _limits(picture: Picture, limits: Sequence[LimitStep]) -> None:
    for sign in (-1.0, 1.0):
        corners = [(x, sign * step.limit) for step in limits for x in (step.start, step.end)]
        if corners:
            picture.line(corners, BOLD)


def _branches(picture: Picture, points: Sequence[Plotted]) -> None:
    rising = [p for p in points if not p.falling]
    falling = [p for p in points if p.falling]
    picture.line([(p.x, p.y) for p in rising], PLAIN)
    if falling:
        top = max(rising, key=lambda p: abs(p.x), default=falling[0])
        picture.line([(p.x, p.y) for p in (top, *falling)], PLAIN, DASHED)
    both = {p.x for p in rising if p.half} & {p.x for p in falling if p.half}
    for point in points:
        if point.half is not None:
            side = 0 if point.x not in both else 1 if point.falling else -1
            picture.bar(point.x, point.y, point.half, side)
        picture.mark(point.x, point.y, point.falling)


def _legend(picture: Picture, points: Sequence[Plotted]) -> None:
    picture.explain(disc(0, 0, False), "rising")
    if any(p.falling for p in points):
        picture.explain(disc(0, 0, True), "falling")
    if any(p.half is not None for p in points):
        _explain_bar(picture)


def _explain_bar(picture: Picture) -> None:
    picture.explain('<path d="M0 -7V7M-4 -7H4M-4 7H4" ' + _PLAIN_STROKE, "U")


_PLAIN_STROKE = f'fill="none" stroke="black" stroke-width="{PLAIN:g}"/>'

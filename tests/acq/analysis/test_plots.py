"""Pictures: well-formed, in black ink, with everything on the page and nothing left to chance."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from acq.analysis.oiml_r60 import MeasuringRange, accuracy_class
from acq.analysis.plots import (
    LimitStep,
    Plotted,
    class_limits,
    creep_plot,
    deviation_plot,
    hysteresis_plot,
)
from acq.analysis.svg import BEYOND, HEIGHT, WIDTH, axis

SVG = "{http://www.w3.org/2000/svg}"
POINTS = [
    Plotted(0.0, 0.0, 0.002),
    Plotted(50.0, 0.011, 0.002),
    Plotted(100.0, -0.004, 0.002),
    Plotted(50.0, 0.016, 0.003, falling=True),
    Plotted(0.0, 0.004, 0.003, falling=True),
]


def deviation(points: list[Plotted] = POINTS) -> str:
    return deviation_plot(
        points,
        line="terminal",
        x_label="load, kg",
        y_label="deviation, % of rated output",
        limits=[LimitStep(0.0, 50.0, 0.012), LimitStep(50.0, 100.0, 0.023)],
    )


def creep() -> str:
    curve = [(float(k), 0.0004 * k) for k in range(31)]
    back = [(float(k), -0.0003 * k) for k in range(31)]
    return creep_plot(
        curve,
        back,
        y_label="change, %",
        fitted=lambda minutes: 0.0004 * minutes,
        limit=0.0245,
        half=0.001,
    )


PICTURES = {
    "deviation": deviation(),
    "loop": hysteresis_plot(POINTS, x_label="load, kg", y_label="deviation, %"),
    "creep": creep(),
}


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_xml_with_a_title_and_a_description(name: str) -> None:
    root = ET.fromstring(PICTURES[name])
    assert root.tag == f"{SVG}svg"
    for tag in ("title", "desc"):
        found = root.find(f"{SVG}{tag}")
        assert found is not None
        assert found.text


@pytest.mark.parametrize("name", PICTURES)
def test_nothing_is_told_by_colour(name: str) -> None:
    inks = re.findall(r'(?:fill|stroke)="([^"]+)"', PICTURES[name])
    assert set(inks) <= {"black", "white", "none"}


@pytest.mark.parametrize("name", PICTURES)
def test_everything_is_on_the_page(name: str) -> None:
    root = ET.fromstring(PICTURES[name])
    for disc in root.iter(f"{SVG}circle"):
        if disc.get("cx") == "0.00":
            continue  # a sample in the legend
        assert 0 <= float(disc.get("cx", "-1")) <= WIDTH
        assert 0 <= float(disc.get("cy", "-1")) <= HEIGHT
    for line in root.iter(f"{SVG}polyline"):
        for pair in line.get("points", "").split():
            x, y = map(float, pair.split(","))
            assert 0 <= x <= WIDTH
            assert 0 <= y <= HEIGHT


def test_rising_and_falling_differ_by_shape_and_dash() -> None:
    root = ET.fromstring(deviation())
    marks = [d for d in root.iter(f"{SVG}circle") if d.get("cx") != "0.00"]
    assert [d.get("fill") for d in marks] == ["black"] * 3 + ["white"] * 2
    dashes = [line.get("stroke-dasharray") for line in root.iter(f"{SVG}polyline")]
    assert None in dashes
    assert "6 4" in dashes


def test_marks_stand_where_their_values_are() -> None:
    root = ET.fromstring(deviation())
    marks = [d for d in root.iter(f"{SVG}circle") if d.get("cx") != "0.00"]
    ys = [float(d.get("cy", "0")) for d in marks]
    values = [p.y for p in POINTS]
    # the page counts downwards, and is linear in the value
    scale = (ys[1] - ys[0]) / (values[1] - values[0])
    assert scale < 0
    for y, value in zip(ys, values, strict=True):
        assert y - ys[0] == pytest.approx(scale * (value - values[0]), abs=0.02)


def test_the_same_numbers_give_the_same_bytes() -> None:
    assert deviation() == deviation()
    assert creep() == creep()


def test_limits_of_a_class_are_its_steps() -> None:
    """R 60-1:2021, table 4 for C3 on 300 kg: steps at 50 and 200 kg."""
    steps = class_limits(MeasuringRange(accuracy_class("C3"), 0.0, 300.0))
    assert [(s.start, s.end) for s in steps] == [(0.0, 50.0), (50.0, 200.0), (200.0, 300.0)]
    assert [s.limit for s in steps] == pytest.approx([0.35, 0.70, 1.05])


def test_words_of_people_cannot_break_the_picture() -> None:
    ET.fromstring(hysteresis_plot(POINTS, x_label='a < b & "c"', y_label="<svg>"))


def test_points_without_uncertainty_have_no_bars() -> None:
    bare = [Plotted(p.x, p.y, None, p.falling) for p in POINTS]
    root = ET.fromstring(deviation(bare))
    words = [text.text for text in root.iter(f"{SVG}text")]
    assert "U" not in words


def test_weights_a_hair_above_their_name_leave_no_empty_fifth_of_the_picture() -> None:
    assert axis([0.0, 500.0082], "load, kg").high == 500.0
    assert axis([0.0, 500.5], "load, kg").high == 600.0


@settings(deadline=None)
@example([5e-324])
@example([0.0])
@given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=5))
def test_an_axis_covers_its_values_with_round_ticks(values: list[float]) -> None:
    found = axis(values, "x")
    assert found.low <= min(values) + BEYOND * found.step
    assert found.high >= max(values) - BEYOND * found.step
    assert 2 <= len(found.ticks) <= 12
    mantissa = found.step / 10.0 ** round(math.log10(found.step))
    assert any(abs(mantissa - m) < 1e-6 for m in (0.5, 1.0, 2.0))


def test_bars_of_both_branches_at_one_load_stand_apart_and_on_their_points() -> None:
    root = ET.fromstring(deviation())
    stems = [
        float(found[1])
        for path in root.iter(f"{SVG}path")
        if (found := re.match(r"M([\d.]+) [\d.]+V[\d.]+M[\d.]+ [\d.]+H", path.get("d", "")))
    ]
    assert len(stems) == len(POINTS) == len(set(stems))
    discs = [float(disc.get("cx", "0")) for disc in root.iter(f"{SVG}circle")]
    assert all(min(abs(stem - x) for x in discs) < 3.6 for stem in stems)


def test_the_bar_of_a_creep_curve_is_explained() -> None:
    words = [text.text for text in ET.fromstring(creep()).iter(f"{SVG}text")]
    assert "U" in words

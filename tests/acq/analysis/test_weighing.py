"""The live display's numbers: trim, tare, test weight, stable mark. Worked by hand where exact.

Cell of the examples: 500 kg at 2 mV/V (invented).
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.analysis.weighing import Papers, Rules, Scale, Seen, in_divisions, nice

PAPERS = Papers(capacity=500.0, unit="kg", rated_output=2e-3, zero=1e-5)
RULES = Rules(
    divisions=10000,
    stable_window_s=1.0,
    stable_divisions=1.0,
    frozen_after_s=10.0,
    zero_limit=0.04,
    zero_source="of the test",
    span_good=0.01,
    span_limit=0.07,
    span_source="of the test",
    units={"kg": 1.0, "t": 1e-3, "lb": 1 / 0.45359237},
)


def stable(ratio: float) -> Seen:
    return Seen(ratio=ratio, stable=True, because="")


def scale(filter_name: str = "none") -> Scale:
    return Scale(PAPERS, RULES, filter_name)


def ratio_of(kilograms: float) -> float:
    return 1e-5 + 2e-3 * kilograms / 500.0


def test_nothing_is_zeroed_by_itself() -> None:
    live = scale()
    live.add(0.0, ratio_of(37.0), "a")
    picture = live.picture()
    assert picture["gross"] == pytest.approx(37.0)
    assert (picture["tare"], picture["trim"], picture["span"]) == (0.0, 0.0, 1.0)
    assert picture["percent"] == pytest.approx(7.4)  # 37 of 500


@given(st.floats(-500.0, 500.0), st.sampled_from(["kg", "t", "lb"]))
def test_weight_is_the_part_of_capacity_that_the_output_is_of_rated_output(
    kilograms: float, unit: str
) -> None:
    live = scale()
    assert live.obey(["unit", unit], stable(0.0)).taken
    live.add(0.0, ratio_of(kilograms), "a")
    gross = live.picture()["gross"]
    assert gross == pytest.approx(kilograms * RULES.units[unit], abs=1e-9)


def test_zero_trim_needs_a_reason_is_limited_and_is_not_tare() -> None:
    live = scale()
    assert "needs a reason" in live.obey(["zero"], stable(ratio_of(1.0))).said
    assert "needs a reason" in live.obey(["zero", "because"], stable(ratio_of(1.0))).said
    far = live.obey(["zero", "because", "x"], stable(ratio_of(20.01)))  # 4 % of 500 kg are 20 kg
    assert not far.taken
    assert "+4.0% of capacity, 4% allowed (of the test)" in far.said
    near = live.obey(["zero", "because", "plate"], stable(ratio_of(19.9)))
    assert near.taken
    assert near.before == {"trim": 0.0}
    assert live.load(ratio_of(29.9)) == pytest.approx(10.0)
    assert live.settings.tare == 0.0
    # the limit counts from the papers' zero, not from the last trim: it cannot be walked away
    again = live.obey(["zero", "because", "plate"], stable(ratio_of(39.0)))
    assert not again.taken
    assert live.obey(["zero", "off"], stable(0.0)).taken
    assert live.load(ratio_of(29.9)) == pytest.approx(29.9)


def test_tare_is_unlimited_and_leaves_gross_alone() -> None:
    live = scale()
    assert live.obey(["tare"], stable(ratio_of(120.0))).taken
    live.add(0.0, ratio_of(150.0), "a")
    assert live.picture()["net"] == pytest.approx(30.0)
    assert live.picture()["gross"] == pytest.approx(150.0)
    unsteady = Seen(ratio=1e-3, stable=False, because="drifting")
    assert live.obey(["tare"], unsteady).said == "no tare: drifting"


@pytest.mark.parametrize(
    ("factor", "taken", "said"),
    [
        (1.0, True, "span is 100.00% of that of the papers"),
        (1.03, True, "so large a trim may hide another problem"),
        (0.37, False, "span is 37% of expected: wrong cell, wrong weight or open signal pair"),
        (0.0, False, "span is 0% of expected: wrong cell"),
        (-1.0, False, "span is -100% of expected: signal or excitation pair exchanged"),
    ],
)
def test_a_test_weight_is_held_against_the_papers(factor: float, taken: bool, said: str) -> None:
    live = scale()
    assert not live.obey(["calibrate", "300", "kg"], stable(0.0)).taken  # no unloaded point yet
    assert live.obey(["calibrate", "zero"], stable(ratio_of(15.0))).taken
    outcome = live.obey(["calibrate", "300", "kg"], stable(ratio_of(15.0) + factor * 1.2e-3))
    assert (outcome.taken, said in outcome.said) == (taken, True), outcome.said
    if taken:
        assert live.load(ratio_of(15.0)) == pytest.approx(0.0, abs=1e-9)
        assert live.load(ratio_of(15.0) + factor * 1.2e-3) == pytest.approx(300.0)
    else:
        assert live.load(ratio_of(15.0)) == pytest.approx(15.0)


def test_a_small_or_unreadable_test_weight_is_told() -> None:
    live = scale()
    live.obey(["calibrate", "zero"], stable(ratio_of(0.0)))
    small = live.obey(["calibrate", "100", "kg"], stable(ratio_of(100.0)))
    assert "20% of capacity: half or more is better" in small.said
    live.obey(["calibrate", "zero"], stable(ratio_of(0.0)))
    assert "5 % to 100 % serve" in live.obey(["calibrate", "2", "kg"], stable(1e-3)).said
    assert "such as 100 kg" in live.obey(["calibrate", "many", "kg"], stable(1e-3)).said
    assert "such as 100 kg" in live.obey(["calibrate", "100", "N"], stable(1e-3)).said


def test_stable_by_its_criterion_and_frozen_when_no_digit_moves() -> None:
    live = scale()
    for k in range(40):
        live.add(0.05 * k, ratio_of(100.0) + 2e-9 * math.sin(k), f"{k}")
    assert live.picture()["state"] == "stable"
    for k in range(40, 80):
        live.add(0.05 * k, ratio_of(100.0 + 0.1 * (k - 40)), f"{k}")
    assert live.picture()["state"] in ("drifting", "scattering")
    for k in range(80, 400):  # 16 s of one and the same text
        live.add(0.05 * k, ratio_of(100.0), "+1.0")
    assert live.picture()["state"] == "frozen"
    assert not live.seen().stable


def test_minimum_maximum_and_peak() -> None:
    live = scale("median 3")
    for k, kilograms in enumerate([10.0, 10.0, 10.0, 10.0, 80.0, 10.0, 10.0, 12.0, 12.0, 12.0]):
        live.add(0.1 * k, ratio_of(kilograms), f"{k}")
    picture = live.picture()
    assert picture["least"] == pytest.approx(10.0)
    assert picture["largest"] == pytest.approx(12.0)  # the spike is filtered away
    assert picture["peak"] == pytest.approx(80.0)  # and is the peak
    live.obey(["reset"], live.seen())
    assert live.picture()["peak"] is None


def test_replaying_orders_gives_the_same_settings() -> None:
    orders = [
        (["zero", "because", "plate"], stable(ratio_of(2.0))),
        (["filter", "mean", "4"], stable(0.0)),
        (["calibrate", "zero"], stable(ratio_of(2.0))),
        (["calibrate", "250", "kg"], stable(ratio_of(252.1))),
        (["tare"], stable(ratio_of(52.0))),
        (["unit", "lb"], stable(0.0)),
        (["nonsense"], stable(0.0)),
    ]
    one, two = scale(), scale()
    for k in range(30):
        one.add(0.1 * k, 1e-3, f"{k}")  # what was read between does not matter
    first = [one.obey(words, seen).as_json() for words, seen in orders]
    assert first == [two.obey(words, seen).as_json() for words, seen in orders]
    assert one.settings == two.settings
    assert not first[-1]["taken"]


@pytest.mark.parametrize(
    ("value", "division"), [(0.05, 0.05), (0.03, 0.05), (0.11, 0.2), (7.0, 10.0), (1e-3, 1e-3)]
)
def test_a_division_is_1_2_or_5(value: float, division: float) -> None:
    assert nice(value) == division


def test_a_weight_is_shown_in_whole_divisions() -> None:
    assert in_divisions(12.337, 0.05) == "12.35"
    assert in_divisions(-0.01, 0.05) == "0.00"
    assert in_divisions(1234.0, 10.0) == "1230"

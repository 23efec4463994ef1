"""Influences that readings share: what cancels, what stays, what is said about assumptions."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.errors import WrongInput
from acq.readings.measured import Bound, Measured, Uncertain, is_number
from acq.readings.specification import Accuracy, find_accuracy
from acq.readings.uncertainty import Uncertainties, budget, expanded
from tests.acq.readings.bench import BENCH, INSULATION, MILLIVOLTS, OHMS, VOLTS, reading

ROOT3 = math.sqrt(3.0)


def numbers(measured: Measured) -> Uncertain:
    assert is_number(measured)
    return measured


def parts(measured: Measured) -> dict[str, float]:
    return {line.name: line.standard_uncertainty for line in budget(measured)}


def test_a_limit_of_error_becomes_a_standard_uncertainty() -> None:
    one = Uncertainties(BENCH).of(reading("resistance", 350.0, 1000.0))
    assert parts(one) == pytest.approx(
        {
            "dmm gain, resistance 1000 ohm range": 350.0 * 100e-6 / ROOT3,
            "dmm offset, resistance 1000 ohm range (range part taken as offset, no split given)": (
                1000.0 * 10e-6 / ROOT3
            ),
        }
    )


def test_gain_cancels_in_the_ratio_of_two_readings_in_one_range() -> None:
    bench = Uncertainties({"dmm": (OHMS.model_copy(update={"range_ppm": 0.0}),)})
    one = numbers(bench.of(reading("resistance", 281.0, 1000.0)))
    other = numbers(bench.of(reading("resistance", 386.0, 1000.0)))
    assert (one / other).u == pytest.approx(0.0, abs=1e-18)
    assert one.u > 0.0


def test_gain_stays_in_the_ratio_of_two_ranges() -> None:
    bench = Uncertainties(BENCH)
    signal = numbers(bench.of(reading("dc-voltage", 0.02, 0.1)))
    excitation = numbers(bench.of(reading("dc-voltage", 10.0, 10.0)))
    shares = parts(signal / excitation)
    assert shares["dmm gain, dc-voltage 100 mV range"] == pytest.approx(0.002 * 50e-6 / ROOT3)
    assert shares["dmm gain, dc-voltage 10 V range"] == pytest.approx(0.002 * 35e-6 / ROOT3)


def test_offset_cancels_by_reversal_and_by_zero_subtraction() -> None:
    bench = Uncertainties(BENCH)
    plus = numbers(bench.of(reading("dc-voltage", 0.02, 0.1)))
    minus = numbers(bench.of(reading("dc-voltage", -0.02, 0.1)))
    zero = numbers(bench.of(reading("dc-voltage", -6e-5, 0.1)))
    for difference in ((plus - minus) / 2.0, plus - zero):
        assert not any("offset" in name for name in parts(difference))
        assert any("linearity" in name for name in parts(difference))
    assert any("offset" in name for name in parts(plus))


def test_only_the_offset_part_of_range_cancels() -> None:
    # 35 ppm of 100 mV: 3.5 uV, nine tenths offset; the rest is what a manual calls linearity
    bench = Uncertainties(BENCH)
    plus = numbers(bench.of(reading("dc-voltage", 0.02, 0.1)))
    minus = numbers(bench.of(reading("dc-voltage", -0.02, 0.1)))
    left = parts((plus - minus) / 2.0)["dmm linearity, dc-voltage 100 mV range"]
    assert left == pytest.approx(0.35e-6 / ROOT3 / math.sqrt(2.0))


def test_an_assumed_split_is_said_and_a_given_one_is_not() -> None:
    bench = Uncertainties(BENCH)
    assumed = parts(bench.of(reading("dc-voltage", 10.0, 10.0)))
    given_ = parts(bench.of(reading("dc-voltage", 0.02, 0.1)))
    assert any("no split given" in name for name in assumed)
    assert not any("no split given" in name for name in given_)


@given(
    st.floats(-0.1, 0.1),
    st.floats(-0.1, 0.1),
)
def test_linearity_never_exceeds_its_limit_and_vanishes_at_one_place(
    one: float, other: float
) -> None:
    only = Accuracy(quantity="dc-voltage", range=0.1, linearity_ppm=3.5)
    bench = Uncertainties({"dmm": (only,)})
    first = numbers(bench.of(reading("dc-voltage", one, 0.1)))
    second = numbers(bench.of(reading("dc-voltage", other, 0.1)))
    u = 0.35e-6 / ROOT3
    assert (first - second).u <= u * math.sqrt(2.0) * (1.0 + 1e-9)
    # grows with the distance, steadily: 5 % of range is one node
    assert (first - second).u <= u * 2.0 * abs(one - other) / 0.005 + 1e-15
    # everywhere on the scale the same size, between the nodes as well
    assert first.u == pytest.approx(u)


def test_scatter_is_type_a_with_one_degree_of_freedom_less_than_readings() -> None:
    # GUM 4.4.3, twenty readings of a temperature: mean 100.145, s = 1.489, u = 0.333
    values = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07]
    values += [100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]
    bench = Uncertainties({"thermometer": (Accuracy(quantity="temperature"),)})
    readings = [reading("temperature", value, role="thermometer") for value in values]
    mean = expanded(bench.mean(readings))
    assert mean.value == pytest.approx(100.145)
    assert mean.u == pytest.approx(0.333, abs=5e-4)
    assert mean.dof == pytest.approx(19.0)
    assert mean.k == pytest.approx(2.093, abs=5e-4)


def test_a_pooled_deviation_serves_where_few_readings_are_taken() -> None:
    bench = Uncertainties({"dmm": (Accuracy(quantity="resistance"),)})
    mean = bench.mean([reading("resistance", 350.0)], pooled=(0.01, 40.0))
    assert expanded(mean).u == pytest.approx(0.01)
    assert expanded(mean).dof == pytest.approx(40.0)


def test_a_compensated_reading_has_the_noise_of_two_conversions() -> None:
    """A difference of two equal, independent readings: variances add (GUM 5.1.2)."""
    noisy = Accuracy(quantity="resistance", range=1000.0, noise=1e-4, noise_plc=10.0)
    known = Uncertainties({"dmm": (noisy,)})
    plain = reading("resistance", 350.0, 1000.0)
    compensated = replace(plain, settings={"offset_compensation": True})
    lacking = replace(plain, settings={"offset_compensation": False})
    assert known.stated_noise(plain) == known.stated_noise(lacking) == 1e-4
    assert known.stated_noise(compensated) == pytest.approx(1e-4 * 2**0.5)
    found = known.of(compensated)
    assert is_number(found)
    assert found.u == pytest.approx(1e-4 * 2**0.5)


def test_the_noise_of_a_single_reading_falls_with_integration_time_and_is_its_own() -> None:
    noisy = Accuracy(quantity="dc-voltage", range=0.1, noise=1e-7, noise_plc=10.0)
    bench = Uncertainties({"dmm": (noisy,)})
    slow = reading("dc-voltage", 0.02, 0.1, plc=40.0)
    assert numbers(bench.of(slow)).u == pytest.approx(0.5e-7)
    twice = numbers(bench.of(slow)) - numbers(bench.of(slow))
    assert twice.u == pytest.approx(0.0, abs=1e-20)
    other = numbers(bench.of(reading("dc-voltage", 0.02, 0.1)))
    assert (numbers(bench.of(slow)) - other).u == pytest.approx(math.hypot(0.5e-7, 1e-7))


def test_averaging_does_not_lessen_the_last_digit() -> None:
    coarse = Accuracy(quantity="resistance", range=2000.0, digits=2, resolution=0.1)
    bench = Uncertainties({"dmm": (coarse,)})
    mean = bench.mean([reading("resistance", 385.1, 2000.0) for _ in range(50)])
    assert parts(mean)["dmm last digit, resistance 2000 ohm range"] == pytest.approx(
        0.1 / math.sqrt(12.0)
    )
    offset = next(u for name, u in parts(mean).items() if "offset" in name)
    assert offset == pytest.approx(0.2 / ROOT3)


def test_pairs_that_belong_together_do_not_count_the_drift_of_the_excitation() -> None:
    bench = Uncertainties(BENCH)
    drift = [10.0 * (1.0 + 1e-4 * i) for i in range(10)]
    signals = [reading("dc-voltage", volts * 2e-3, 0.1) for volts in drift]
    excitations = [reading("dc-voltage", volts, 10.0) for volts in drift]
    together = bench.mean_ratio(signals, excitations)
    apart = numbers(bench.mean(signals)) / numbers(bench.mean(excitations))
    assert together.x == pytest.approx(2e-3, rel=1e-14)
    scatter = sum(u for name, u in parts(together).items() if "scatter" in name)
    drifting = sum(u for name, u in parts(apart).items() if "scatter" in name)
    assert scatter < 1e-6 * drifting
    with pytest.raises(ValueError, match="10 numerators for 9 denominators"):
        bench.mean_ratio(signals, excitations[:-1])


def test_a_warm_bench_adds_the_temperature_coefficients_beyond_the_span() -> None:
    warm = VOLTS.model_copy(
        update={"temperature_reading_ppm_per_K": 5.0, "temperature_range_ppm_per_K": 1.0}
    )
    inside = Uncertainties({"dmm": (warm,)}, bench_temperature=27.0)
    outside = Uncertainties({"dmm": (warm,)}, 30.0, bench_temperature_half_width=1.0)
    assert not any(
        "temperature" in name for name in parts(inside.of(reading("dc-voltage", 10.0, 10.0)))
    )
    # 31 degC at worst: 3 K beyond 23 +- 5
    added = parts(outside.of(reading("dc-voltage", 10.0, 10.0)))
    name = "dmm temperature, dc-voltage 10 V range, 3 K outside"
    assert added[name] == pytest.approx(math.hypot(15e-6, 3e-6) * 10.0 / ROOT3)


def test_over_range_is_a_bound_of_the_range_and_never_a_number() -> None:
    bench = Uncertainties(BENCH)
    over = reading("resistance", None, 1000.0, limit="above")
    bound = bench.of(over)
    assert isinstance(bound, Bound)
    assert (bound.value, bound.kind) == (1000.0, "above")
    assert bound.u == pytest.approx(math.hypot(0.1, 0.01) / ROOT3)
    assert bound.dominating == "dmm gain, resistance 1000 ohm range"
    below = bench.of(reading("dc-voltage", None, 0.1, limit="below"))
    assert isinstance(below, Bound)
    assert (below.value, below.kind) == (-0.1, "below")
    unknown = bench.of(reading("resistance", None, None, limit="above"))
    assert isinstance(unknown, Bound)
    assert unknown.value == 1000.0


def test_readings_of_which_some_are_bounds_prove_only_the_weakest() -> None:
    bench = Uncertainties(BENCH)
    readings = [
        reading("insulation-resistance", 20e9, role="insulation", limit="above"),
        reading("insulation-resistance", 18e9, role="insulation"),
    ]
    weakest = bench.mean(readings)
    assert isinstance(weakest, Bound)
    assert (weakest.value, weakest.kind) == (18e9, "above")
    assert weakest.u == pytest.approx(18e9 * 0.1 / ROOT3)
    two_ways = [reading("dc-voltage", None, 0.1, limit=way) for way in ("above", "below")]
    with pytest.raises(ValueError, match="both directions"):
        bench.mean(two_ways)


def test_only_readings_of_one_kind_have_a_mean() -> None:
    bench = Uncertainties(BENCH)
    mixed = [reading("dc-voltage", 0.02, 0.1), reading("dc-voltage", 0.02, 10.0)]
    with pytest.raises(ValueError, match="different kinds"):
        bench.mean(mixed)
    with pytest.raises(ValueError, match="no readings"):
        bench.mean([])


def test_a_missing_accuracy_says_what_to_add_to_the_bench_file() -> None:
    with pytest.raises(WrongInput, match=r"dmm for dc-current in range 0\.1: add \[\[instruments"):
        Uncertainties(BENCH).of(reading("dc-current", 0.01, 0.1))


def test_weights_of_one_set_add_arithmetically() -> None:
    bench = Uncertainties({})
    one_set = sum(10.0 + bench.shared("weights, set A", 0.5e-3) for _ in range(10))
    ten_sets = sum(10.0 + bench.fresh("weight", 0.5e-3) for _ in range(10))
    assert one_set.u == pytest.approx(5e-3)
    assert one_set.u / ten_sets.u == pytest.approx(math.sqrt(10.0))
    with pytest.raises(ValueError, match="weights, set A: has"):
        bench.shared("weights, set A", 0.6e-3)


def test_budgets_are_the_same_text_and_numbers_every_time() -> None:
    def once() -> tuple[object, ...]:
        bench = Uncertainties(BENCH)
        signals = [reading("dc-voltage", 0.02 + 1e-7 * (i % 3), 0.1) for i in range(5)]
        excitations = [reading("dc-voltage", 10.0 + 1e-6 * (i % 2), 10.0) for i in range(5)]
        ratio = bench.mean_ratio(signals, excitations)
        return budget(ratio), expanded(ratio)

    assert once() == once() == once()
    lines = budget(Uncertainties(BENCH).of(reading("dc-voltage", 10.0, 10.0)))
    sizes = [line.standard_uncertainty for line in lines]
    assert sizes == sorted(sizes, reverse=True)


def test_the_smallest_range_that_holds_a_value_is_taken_where_none_is_known() -> None:
    entries = (VOLTS, MILLIVOLTS, INSULATION)
    assert find_accuracy(entries, "dc-voltage", None, 0.05) is MILLIVOLTS
    assert find_accuracy(entries, "dc-voltage", None, -0.5) is VOLTS
    assert find_accuracy(entries, "dc-voltage", None, 50.0) is None
    assert find_accuracy(entries, "insulation-resistance", 1e9, 50.0) is INSULATION


@pytest.mark.parametrize(
    ("table", "reason"),
    [
        ({"range_ppm": 5.0}, "a part of range needs the key range"),
        ({"digits": 2.0}, "digits need the key resolution"),
        ({"offset_share": 1.5}, "less than or equal to 1"),
        ({"reading_ppm": -1.0}, "greater than or equal to 0"),
    ],
)
def test_an_accuracy_that_makes_no_sense_is_refused(table: dict[str, float], reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        Accuracy.model_validate({"quantity": "dc-voltage", **table})


def test_a_person_who_typed_fewer_digits_has_rounded_more_coarsely() -> None:
    fine = Accuracy(quantity="resistance", range=1000.0, resolution=0.001)
    bench = Uncertainties({"dmm": (fine,)})
    typed = [replace(reading("resistance", 385.0, 1000.0), settings={"last_digit": 1.0})]
    digit = parts(bench.mean(typed * 3))["dmm last digit, resistance 1000 ohm range"]
    assert digit == pytest.approx(1.0 / math.sqrt(12.0))

"""Propagation, beside GTC as an independent reference."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.analysis.load_results import LoadResults, load_results
from acq.analysis.load_series import Direction, LoadSeries
from acq.analysis.propagation import (
    Contribution,
    Floats,
    Influence,
    Integers,
    Readings,
    Result,
    Shared,
    Tracked,
    combine,
    coverage_factor,
    effective_degrees_of_freedom,
    run_scatter,
    summed,
)
from acq.analysis.uncertain_outputs import as_uncertain, components
from tests.acq.analysis.constructed import RATED, series

READINGS = Readings(
    np.array([0.0, 1e-3, 2e-3, 0.0, 1e-3, 2e-3]),
    np.array([0.0, 50.0, 100.0, 0.0, 50.0, 100.0]),
    np.array([1, 1, 1, 2, 2, 2]),
)


def unit(place: int) -> Tracked:
    weights = np.zeros(6)
    weights[place] = 1.0
    return Tracked.weighted(weights, READINGS)


@pytest.mark.parametrize(
    ("influence", "standard"),
    [
        (Influence(name="n", standard_uncertainty=1e-8), math.sqrt(2) * 1e-8),
        (Influence(name="o", standard_uncertainty=1e-8, shared=Shared.SERIES), 0.0),
        (Influence(name="l", standard_uncertainty=1e-8, shared=Shared.LEVEL), math.sqrt(2) * 1e-8),
        (Influence(name="r", standard_uncertainty=1e-8, shared=Shared.RUN), 0.0),
        (
            Influence(name="g", standard_uncertainty=1e-5, relative=True, shared=Shared.SERIES),
            2e-8,
        ),
        (
            Influence(
                name="w",
                standard_uncertainty=1e-5,
                on="load",
                relative=True,
                shared=Shared.SERIES,
            ),
            2e-8,
        ),
        (Influence(name="p", standard_uncertainty=1e-3, on="load"), math.sqrt(2) * 2e-8),
    ],
)
def test_a_net_output_carries_what_its_two_readings_do_not_share(
    influence: Influence, standard: float
) -> None:
    net = unit(2) - unit(0)
    stated = combine(net, READINGS, [influence])
    assert stated is not None
    assert stated.standard == pytest.approx(standard, abs=1e-20)


def test_weights_of_one_set_add_arithmetically() -> None:
    """Ten equal weights of one set: ten times one, not root ten times (JCGM 100, 5.2.2)."""
    one_set = Influence(
        name="set", standard_uncertainty=1e-5, on="load", relative=True, shared=Shared.SERIES
    )
    single = Influence(name="each", standard_uncertainty=50e-5, on="load", shared=Shared.LEVEL)
    total = unit(1) + unit(2)
    together, apart = (combine(total, READINGS, [s]) for s in (one_set, single))
    assert together is not None
    assert apart is not None
    assert together.standard == pytest.approx(3e-8)
    assert apart.standard == pytest.approx(math.sqrt(2) * 1e-8)


def test_a_gain_cancels_in_whatever_is_told_of_the_rated_output() -> None:
    gain = Influence(name="g", standard_uncertainty=1e-3, relative=True, shared=Shared.SERIES)
    share = (unit(1) - unit(0)) / (unit(2) - unit(0))
    stated = combine(share, READINGS, [gain])
    assert stated is not None
    assert stated.standard == pytest.approx(0.0, abs=1e-15)


def test_products_and_quotients_follow_their_derivatives() -> None:
    a, b = unit(1) + 3.0, unit(2) - 5.0
    for made, partials in (
        (a * b, (b.value, a.value)),
        (a / b, (1 / b.value, -a.value / b.value**2)),
        (-a + b * 2.0 - 1.0, (-1.0, 2.0)),
        (abs(b), (0.0, -1.0)),
    ):
        assert made.gradient[[1, 2]] == pytest.approx(partials)


def test_degrees_of_freedom_are_those_of_the_guide() -> None:
    """JCGM 100:2008, G.4.1, example: 0.25, 0.57, 0.82 % with 9, 4 and 14 give 19.0."""
    parts = [Contribution("a", 0.25, 9), Contribution("b", 0.57, 4), Contribution("c", 0.82, 14)]
    assert effective_degrees_of_freedom(parts) == pytest.approx(18.9987, abs=1e-4)
    assert summed(parts).standard == pytest.approx(1.03, abs=0.005)
    assert coverage_factor(19) == pytest.approx(2.09, abs=0.005)


@pytest.mark.parametrize(
    ("freedom", "factor"), [(1, 12.71), (2, 4.30), (4, 2.78), (9, 2.26), (16, 2.12), (16.75, 2.12)]
)
def test_coverage_factors_are_students_and_fractions_are_cut(freedom: float, factor: float) -> None:
    """JCGM 100:2008, table G.2, and H.1.6 for cutting 16.7 to 16."""
    assert coverage_factor(freedom) == pytest.approx(factor, abs=0.005)
    assert coverage_factor(math.inf) == pytest.approx(1.96, abs=0.005)


def test_the_budget_stands_largest_first_and_sums_to_the_whole() -> None:
    stated = summed([Contribution("small", 1.0, math.inf), Contribution("large", 2.0, 5)])
    assert [part.name for part in stated.budget] == ["large", "small"]
    assert stated.standard == pytest.approx(math.sqrt(5.0))
    assert stated.expanded == pytest.approx(stated.coverage_factor * stated.standard)


def test_a_mean_of_runs_has_the_textbook_scatter() -> None:
    """Three values of one point in three runs: s / sqrt(3) with 2 degrees of freedom."""
    readings = Readings(np.array([1.0, 1.2, 1.7]), np.zeros(3), np.array([1, 2, 3]))
    mean = Tracked.weighted(np.full(3, 1 / 3), readings)
    (part,) = run_scatter(mean, readings)
    deviation = float(np.std(readings.outputs, ddof=1))
    assert part.standard_uncertainty == pytest.approx(deviation / math.sqrt(3))
    assert part.degrees_of_freedom == 2


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_two_parts_of_the_scatter_share_nothing(seed: int) -> None:
    """What a run does as a whole (zero, sensitivity, drift) leaves the pooled part alone."""
    rng = np.random.default_rng(seed)
    loads = np.array([0.0, 40.0, 100.0, 60.0, 0.0])
    runs = np.repeat([1, 2, 3], 5)
    noise = rng.normal(size=15)
    own = np.concatenate([a + b * loads + c * np.arange(5) for a, b, c in rng.normal(size=(3, 3))])
    weights = np.tile(rng.normal(size=5) / 3, 3)
    parts = [
        run_scatter(Tracked(0.0, weights), Readings(outputs, np.tile(loads, 3), runs))
        for outputs in (noise, noise + own)
    ]
    assert parts[1][1].standard_uncertainty == pytest.approx(parts[0][1].standard_uncertainty)
    assert parts[1][1].degrees_of_freedom == 2 * (5 - 3)


def test_scatter_stands_in_for_stated_noise_or_the_other_way_round() -> None:
    """The runs' scatter holds the noise already: both together would count it twice."""
    quiet = Influence(name="noise", standard_uncertainty=1e-12)
    loud = Influence(name="noise", standard_uncertainty=1.0)
    drawn = Readings(READINGS.outputs + np.array([0, 0, 1e-7, 0, 0, -1e-7]), *_rest())
    net = Tracked.weighted(np.array([-0.5, 0.0, 0.5, -0.5, 0.0, 0.5]), drawn)
    scatter = run_scatter(net, drawn)
    for source, kept in ((quiet, "scatter of 2 runs"), (loud, "noise")):
        stated = combine(net, drawn, [source], scatter)
        assert stated is not None
        assert stated.budget[0].name == kept
        assert len({part.name for part in stated.budget} & {"noise", "scatter of 2 runs"}) == 1


def _rest() -> tuple[Floats, Integers]:
    return READINGS.loads, READINGS.runs


def test_nothing_known_gives_no_uncertainty() -> None:
    assert combine(unit(1), READINGS, []) is None


def test_an_impossible_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="from 0 up"):
        Influence(name="n", standard_uncertainty=-1.0)
    with pytest.raises(ValueError, match="above 0"):
        Influence(name="n", standard_uncertainty=1.0, degrees_of_freedom=0.0)


def test_infinite_degrees_of_freedom_are_null_in_documents() -> None:
    told = Result("x", 1.0, "V/V", summed([Contribution("a", 1.0, math.inf)])).to_json()
    assert told["degrees_of_freedom"] is None
    assert Result("x", 1.0, "V/V").to_json()["expanded_uncertainty"] is None


# GTC beside it


def measured_with_gtc() -> tuple[LoadSeries, list[object]]:
    """Return one run whose readings share gain and offset and have noise of their own."""
    flat = series(lambda u, d: u + 4e-4 * u * (1 - u) * (2 if d is Direction.DOWN else 1))
    gain = GTC.ureal(1.0, 3e-5, label="gain")
    offset = GTC.ureal(0.0, 2e-8, 12, label="offset")
    noise = [GTC.ureal(0.0, 5e-9, 20, label="noise") for _ in flat.readings]
    outputs = [r.output * gain + offset + e for r, e in zip(flat.readings, noise, strict=True)]
    return flat, outputs


def by_hand(outputs: list[object]) -> dict[str, object]:
    """Return some figures in GTC's own arithmetic, by their textbook formulas."""
    net = [output - outputs[0] for output in outputs]  # type: ignore[operator]
    rated = net[5]
    return {
        "rated output": rated,
        "zero return": net[10] / rated,
        "hysteresis": (net[8] - net[2]) / rated,
        "combined error (terminal line)": (net[8] - 0.4 * rated) / rated,
    }


def figure(found: LoadResults, name: str) -> Result:
    return next(result for result in found.results if result.name == name)


@pytest.mark.parametrize(
    "name",
    ["rated output", "zero return", "hysteresis", "combined error (terminal line)"],
)
def test_figures_agree_with_gtc_in_value_uncertainty_and_degrees_of_freedom(name: str) -> None:
    flat, outputs = measured_with_gtc()
    sources = components(outputs, [r.run for r in flat.readings])
    found = figure(load_results(flat, sources=sources), name)
    expected = by_hand(outputs)[name]
    assert found.uncertainty is not None
    assert found.value == pytest.approx(expected.x, rel=1e-12)  # type: ignore[attr-defined]
    assert found.uncertainty.standard == pytest.approx(expected.u, rel=1e-9)  # type: ignore[attr-defined]
    freedom = min(expected.df, 1e6)  # type: ignore[attr-defined]
    assert min(found.uncertainty.degrees_of_freedom, 1e6) == pytest.approx(freedom, rel=1e-9)
    again = as_uncertain(found, outputs)
    assert again.u == pytest.approx(expected.u, rel=1e-9)  # type: ignore[attr-defined]


def test_influences_by_size_agree_with_gtc() -> None:
    flat, outputs = measured_with_gtc()
    sources = [
        Influence(name="gain", standard_uncertainty=3e-5, relative=True, shared=Shared.SERIES),
        Influence(name="offset", standard_uncertainty=2e-8, shared=Shared.SERIES),
        Influence(name="noise", standard_uncertainty=5e-9),
    ]
    found = load_results(flat, sources=sources).rated_output
    expected = by_hand(outputs)["rated output"]
    assert found.uncertainty is not None
    assert found.uncertainty.standard == pytest.approx(expected.u, rel=1e-9)  # type: ignore[attr-defined]
    assert found.value == pytest.approx(RATED)


def test_a_number_without_derivatives_is_not_turned_into_a_gtc_one() -> None:
    with pytest.raises(ValueError, match="without its derivatives"):
        as_uncertain(Result("x", 1.0, "V/V"), [])

"""Readings evaluated by the bench's own uncertainties keep what they share in every result."""

from __future__ import annotations

from typing import Any

import pytest

from acq.analysis.load_results import load_results
from acq.analysis.load_series import Direction, LoadReading, LoadSeries, load_series
from acq.analysis.uncertain_outputs import as_uncertain, components
from acq.readings.uncertainty import Uncertainties, expanded
from tests.acq.readings.bench import BENCH, reading

EXCITATION = 10.0
RATIOS = (0.0, 0.4001e-3, 0.8003e-3, 1.2002e-3, 1.6001e-3, 2.0e-3)


def measured() -> tuple[LoadSeries, list[Any]]:
    """Return a run of ratios from one meter: signal on 100 mV, excitation on 10 V."""
    run = Uncertainties(BENCH)
    outputs, rows = [], []
    for place, ratio in enumerate(RATIOS):
        signal = run.of(reading("dc-voltage", ratio * EXCITATION, 0.1))
        outputs.append(signal / run.of(reading("dc-voltage", EXCITATION, 10.0)))  # type: ignore[operator]
        rows.append(
            LoadReading(run=1, direction=Direction.UP, load=100.0 * place, output=outputs[-1].x)
        )
    return load_series(rows), outputs


def test_what_the_meter_shares_cancels_as_in_gtc() -> None:
    series, outputs = measured()
    found = load_results(series, sources=components(outputs, [1] * len(outputs)))
    rated = outputs[5] - outputs[0]
    bent = max(
        ((outputs[k] - outputs[0]) / rated - k / 5 for k in range(6)), key=lambda each: abs(each.x)
    )
    for result, expected in ((found.rated_output, rated), (found.non_linearity, bent)):
        assert result.uncertainty is not None
        assert result.uncertainty.standard == pytest.approx(expected.u, rel=1e-9, abs=1e-15)
        assert as_uncertain(result, outputs).u == pytest.approx(expected.u, rel=1e-9, abs=1e-15)


def test_expanded_uncertainty_is_the_same_by_both_ways() -> None:
    series, outputs = measured()
    found = load_results(series, sources=components(outputs, [1] * len(outputs))).rated_output
    other = expanded(outputs[5] - outputs[0])
    assert found.expanded == pytest.approx(other.U, rel=1e-9)


def test_budgets_have_one_line_for_each_name() -> None:
    series, outputs = measured()
    found = load_results(series, sources=components(outputs, [1] * len(outputs))).rated_output
    assert found.uncertainty is not None
    names = [part.name for part in found.uncertainty.budget]
    assert len(names) == len(set(names))
    assert any("gain" in name for name in names)


def test_an_influence_of_one_run_counts_as_part_of_the_scatter_between_runs() -> None:
    _, outputs = measured()
    doubled = outputs + measured()[1]
    found = components(doubled, [1] * len(outputs) + [2] * len(outputs))
    assert all(source.within_runs for source in found)  # two meters that share nothing
    shared = components(outputs + outputs, [1] * len(outputs) + [2] * len(outputs))
    assert not any(source.within_runs for source in shared)

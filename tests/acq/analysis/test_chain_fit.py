"""The parts of the isolation by themselves: the model of a sound chain, evidence, weights."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from acq.analysis.chain import current_for_ratio, displayed
from acq.analysis.chain_faults import hypotheses
from acq.analysis.chain_fit import NOTHING, _log_between, _over_sizes, fit_all, variants_of
from acq.analysis.chain_hypotheses import Change, Hypothesis
from acq.analysis.chain_isolation import prepared
from acq.analysis.chain_model import on_paper, predict
from acq.analysis.chain_papers import Block, Chain, ChainReadings, Kind, LoadState, Row
from tests.campaigns.drawn_chains import draw_sound, read


def chain(seed: int = 5) -> Chain:
    return draw_sound(np.random.default_rng(seed)).chain


@pytest.mark.parametrize("seed", range(6))
def test_the_model_of_a_sound_chain_is_the_plain_equations(seed: int) -> None:
    papers = chain(seed)
    live = 0.5 * papers.upper
    states = {"a": LoadState(name="a", live=live)}
    kinds = (Kind.BOX_RATIO, Kind.TERMINAL_RATIO, Kind.SENT, Kind.SHOWN, Kind.BOX_SHARE)
    rows = [Row(kind=kind, value=0.0, u=1.0, state="a") for kind in kinds]
    rows += [Row(kind=Kind.CELL_RATIO, value=0.0, u=1.0, state="a", cell=1)]
    readings = ChainReadings(states=states, rows=tuple(rows))
    found = predict(papers, readings, on_paper(papers, 1)).values[0]

    loads = tuple(cell.share * (papers.dead_load + live) for cell in papers.cells)
    box = papers.box_ratio(loads)
    end = papers.terminal_ratio(box)
    transmitter = papers.transmitter
    sent = current_for_ratio(end, transmitter.ratio_at_4, transmitter.ratio_at_20)
    # bridges shift their common mode a little under load: 1e-8 V/V of 1e-3
    assert found[0] == pytest.approx(box, abs=3e-8)
    assert found[1] == pytest.approx(end, abs=3e-8)
    assert found[2] == pytest.approx(sent, abs=1e-6)
    assert found[3] == pytest.approx(displayed(sent, papers.lower, papers.upper), rel=2e-4)
    assert found[4] == pytest.approx(papers.cable_share, rel=1e-5)
    assert found[5] == pytest.approx(papers.cells[1].ratio(loads[1]), abs=3e-8)


@given(low=st.floats(-8, 8), width=st.floats(1e-3, 20))
def test_the_share_of_a_normal_between_two_bounds(low: float, width: float) -> None:
    # the upper tail keeps its digits only when it is taken from above
    part = norm.sf if low > 0.0 else norm.cdf
    expected = math.log(abs(float(part(low + width)) - float(part(low))))

    assert _log_between(low, low + width) == pytest.approx(expected, abs=1e-6)


@given(size=st.floats(0.02, 0.8), spread=st.floats(1e-4, 1e-2))
def test_a_size_is_integrated_over_its_range_with_equal_weight_per_decade(
    size: float, spread: float
) -> None:
    """One reading y = size + noise: evidence against numerical integration."""
    item = Hypothesis(
        block=Block.CELL, what="", changes=(), smallest=0.01, largest=1.0, signs=(1, -1)
    )
    ee = 1.0 / spread**2
    start = 0.9 * size
    ey = (size - start) * ee
    gain, best = _over_sizes(item, start, ey, ee)
    decades = 2.0 * math.log(100.0)

    def integrand(theta: float) -> float:
        return math.exp(-0.5 * ((theta - size) / spread) ** 2) / (theta * decades)

    ends = (max(0.01, size - 12 * spread), min(1.0, size + 12 * spread))
    expected = math.log(quad(integrand, *ends, limit=200)[0])
    chi = ((size - start) / spread) ** 2
    assert gain - 0.5 * chi == pytest.approx(expected, abs=0.15)
    assert best == pytest.approx(size)


def test_a_trial_of_the_wrong_sign_is_turned_round() -> None:
    item = Hypothesis(
        block=Block.CELL, what="", changes=(), smallest=0.01, largest=1.0, signs=(1, -1)
    )
    ee = 1.0 / 0.01**2

    assert _over_sizes(item, 0.1, (-0.3 - 0.1) * ee, ee)[1] == pytest.approx(-0.3)


def test_a_hypothesis_that_no_reading_sees_neither_gains_nor_loses() -> None:
    papers = chain()
    rows = tuple(
        Row(
            kind=Kind.FED_CURRENT_SHOWN,
            value=displayed(a, papers.lower, papers.upper),
            u=0.5,
            fed=a,
        )
        for a in (4e-3, 12e-3, 20e-3)
    )
    readings = ChainReadings(states={}, rows=rows)
    unseen = next(h for h in hypotheses(papers) if h.block is Block.CELL and h.sized)
    none, other = fit_all(papers, readings, (NOTHING, unseen))

    assert other.evidence == pytest.approx(none.evidence, abs=1e-6)


def test_every_fault_changes_at_least_one_reading_of_a_whole_visit() -> None:
    one = draw_sound(np.random.default_rng(8))
    readings = prepared(one.chain, read(one, np.random.default_rng(8)))
    thought = (NOTHING, *hypotheses(one.chain))
    middle = np.array([math.sqrt(h.smallest * h.largest) if h.sized else 1.0 for h in thought])
    seen = predict(
        one.chain, readings, variants_of(one.chain, thought, middle, np.zeros(len(thought)))
    )
    u = np.array([row.u for row in readings.rows])
    moved = np.max(np.abs(seen.values[1:] - seen.values[0]) / u, axis=1)
    loose = np.any(seen.open[1:], axis=1).tolist()

    for hypothesis, far, adrift in zip(thought[1:], moved, loose, strict=True):
        assert far > 5.0 or adrift, hypothesis.what


def test_a_change_without_a_cell_reaches_all_cells_or_the_whole() -> None:
    papers = chain()
    both = Hypothesis(
        block=Block.CELL,
        what="",
        changes=(
            Change("compensation_plus", None, "set", 1.0),
            Change("sense", None, "set", 0.0),
            Change("zero", 1, "add", 2.0),
        ),
    )
    made = variants_of(papers, (both,), np.array([3.0]), np.zeros(1))

    assert made.cell["compensation_plus"][0].tolist() == [1.0] * len(papers.cells)
    assert made.whole["sense"][0] == 0.0
    assert made.cell["zero"][0, 1] == pytest.approx(papers.cells[1].zero + 6.0)


def test_a_current_at_its_limit_says_no_more_than_that() -> None:
    papers = chain()
    state = LoadState(name="a", live=0.0)
    sent = Row(kind=Kind.SENT, value=3.6e-3, u=1e-6, state="a")
    rows = (sent, Row(kind=Kind.SHOWN, value=-9.0, u=0.1, state="a"), replace(sent, value=0.0))
    found = prepared(papers, ChainReadings(states={"a": state}, rows=rows)).rows

    assert [row.kind for row in found] == [Kind.SENT, Kind.SENT]  # the display of then is left out
    assert found[0].limited
    assert found[0].value == 3.8e-3
    assert found[1].value == 0.0  # a dead loop is dead, not at a limit

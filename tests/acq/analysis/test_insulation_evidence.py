from __future__ import annotations

import numpy as np
import pytest

from acq.analysis.insulation_evidence import InsulationReadings, InsulationTable
from acq.analysis.network import Delta, delta_readings
from acq.analysis.population import Population

TABLE = InsulationTable(Population(), shield_connected=False)


def read(
    *ohms: float, above: tuple[bool, bool, bool] = (False, False, False)
) -> InsulationReadings:
    return InsulationReadings(np.log10(np.array([ohms])), np.array([above]))


def states(readings: InsulationReadings) -> dict[str, float]:
    found = TABLE.evidence(readings, two=True)
    bins = np.logaddexp.reduce(found.leaks[0], axis=-1)
    return {
        "sound": float(found.sound[0]),
        "cell": float(bins[0]),
        "cable": float(bins[1]),
        "contact housing": float(found.contacts[0, 0]),
        "contact shield": float(found.contacts[0, 1]),
        "tie": float(found.tie[0]),
        "cell and cable": float(found.pairs[0, 0]),
        "cell and tie": float(found.pairs[0, 1]),
        "cable and tie": float(found.pairs[0, 2]),
    }


def best(readings: InsulationReadings) -> str:
    found = states(readings)
    return max(found, key=lambda name: found[name])


@pytest.mark.parametrize(
    ("ohms", "above", "expected"),
    [
        ((2e10, 2e10, 2e10), (True, True, True), "sound"),
        ((8e9, 9e9, 1e10), (False, False, False), "sound"),
        ((1e8, 2e10, 2e10), (False, True, True), "cell"),
        ((2e10, 4e7, 2e10), (True, False, True), "cable"),
        ((3.0, 2e10, 2e10), (False, True, True), "contact housing"),
        ((2e10, 2e10, 0.5), (True, True, False), "tie"),
    ],
)
def test_the_state_behind_three_readings_explains_them_best(
    ohms: tuple[float, ...], above: tuple[bool, bool, bool], expected: str
) -> None:
    assert best(read(*ohms, above=above)) == expected


def test_a_wet_cable_on_a_tied_shield_needs_both_and_hides_which_of_the_two_is_wet() -> None:
    made = delta_readings(Delta(50e9, 1e9, 2e6))
    found = states(read(made.leads_housing, made.leads_shield, made.shield_housing))
    assert found["cable and tie"] > found["cell"] + 20.0
    assert found["cable and tie"] > found["tie"] + 5.0
    assert found["cable and tie"] == pytest.approx(found["cell and tie"], abs=1.0)


def test_nothing_measured_says_nothing() -> None:
    nothing = InsulationReadings(np.full((2, 3), np.nan), np.zeros((2, 3), bool))
    found = TABLE.evidence(nothing)
    assert not found.sound.any()
    assert not found.leaks.any()


def test_a_tie_that_papers_state_is_what_sound_cells_have() -> None:
    tied = InsulationTable(Population(), shield_connected=True)
    readings = read(2e10, 2e10, 0.4, above=(True, True, False))
    assert tied.evidence(readings).sound[0] > TABLE.evidence(readings).sound[0] + 50.0
    unsaid = InsulationTable(Population(), shield_connected=None)
    assert unsaid.evidence(readings).sound[0] > TABLE.evidence(readings).sound[0] + 50.0


def test_many_cells_get_what_each_would_get_alone() -> None:
    rng = np.random.default_rng(2)
    decades = rng.normal(9.5, 1.0, (60, 3))
    together = TABLE.evidence(InsulationReadings(decades, np.zeros((60, 3), bool)))
    for cell in range(60):
        alone = TABLE.evidence(
            InsulationReadings(decades[cell : cell + 1], np.zeros((1, 3), bool)), two=True
        )
        # readings of many cells are rounded to 0.05 decades
        assert together.sound[cell] == pytest.approx(
            alone.sound[0], abs=2.0 + 0.1 * abs(alone.sound[0])
        )

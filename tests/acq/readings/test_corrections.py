"""Corrections take off what is known and keep what is not."""

from __future__ import annotations

import math

import pytest

from acq.readings.budget import budget, expanded
from acq.readings.corrections import (
    Weight,
    at_temperature,
    bracketed,
    load_of,
    unloaded,
    without_leads,
)
from acq.readings.measured import Uncertain, is_number
from acq.readings.uncertainty import Uncertainties
from tests.acq.readings.bench import BENCH, reading


@pytest.fixture
def bench() -> Uncertainties:
    return Uncertainties(BENCH)


def volts(bench: Uncertainties, value: float, range_: float) -> Uncertain:
    measured = bench.of(reading("dc-voltage", value, range_))
    assert is_number(measured)
    return measured


# the trade's rule of thumb: 10 Mohm loads 350 ohm by 35 ppm and 1000 ohm by 100 ppm
@pytest.mark.parametrize(("ohms", "ppm"), [(350.0, 35.0), (1000.0, 100.0)])
def test_a_meter_of_10_megohm_loads_the_bridge(
    bench: Uncertainties, ohms: float, ppm: float
) -> None:
    shown = volts(bench, 0.02, 0.1)
    assert (unloaded(shown, ohms, 10e6).x / 0.02 - 1.0) * 1e6 == pytest.approx(ppm)
    # and the correction is exact: the divider of source and input, undone
    true = 0.02
    assert unloaded(volts(bench, true * 10e6 / (10e6 + ohms), 0.1), ohms, 10e6).x == pytest.approx(
        true, rel=1e-14
    )
    assert unloaded(shown, ohms, None) is shown
    with pytest.raises(ValueError, match="no such meter"):
        unloaded(shown, ohms, 0.0)


def test_an_excitation_read_before_and_after_has_its_drift_in_the_budget(
    bench: Uncertainties,
) -> None:
    between = bracketed(volts(bench, 10.0, 10.0), volts(bench, 10.002, 10.0), bench, "excitation")
    assert between.x == pytest.approx(10.001)
    shares = {line.name: line.standard_uncertainty for line in budget(between)}
    assert shares["excitation drift while not read"] == pytest.approx(0.001 / math.sqrt(3.0))
    # one meter's gain is not averaged by reading twice
    assert shares["dmm gain, dc-voltage 10 V range"] == pytest.approx(
        10.001 * 35e-6 / math.sqrt(3.0)
    )


def test_two_wire_ohms_lose_their_leads_and_keep_their_contacts(bench: Uncertainties) -> None:
    shown = bench.of(reading("resistance", 386.0, 1000.0))
    assert is_number(shown)
    found = without_leads(shown, bench, lead_ohms=0.7, contact_half_width=0.1)
    assert found.x == pytest.approx(385.3)
    shares = {line.name: line.standard_uncertainty for line in budget(found)}
    assert shares["contacts"] == pytest.approx(0.1 / math.sqrt(3.0) * math.sqrt(2.0))
    with pytest.raises(ValueError, match="negative"):
        without_leads(shown, bench, lead_ohms=-0.7, contact_half_width=0.1)


def test_a_value_moves_with_temperature_and_keeps_what_is_not_known_of_it(
    bench: Uncertainties,
) -> None:
    copper = bench.of(reading("resistance", 100.0, 1000.0))
    assert is_number(copper)
    # annealed copper at 20 degC: 0.00393 per K (IEC 60028)
    warm = at_temperature(
        copper,
        bench,
        per_kelvin=0.00393,
        kelvins=10.0,
        kelvins_half_width=1.0,
        name="cable temperature",
    )
    assert warm.x == pytest.approx(103.93)
    shares = {line.name: line.standard_uncertainty for line in budget(warm)}
    assert shares["cable temperature"] == pytest.approx(0.393 / math.sqrt(3.0))


def test_ten_weights_of_one_set_weigh_on_the_budget_like_one_of_ten_times(
    bench: Uncertainties,
) -> None:
    # OIML R 111 class M1: 10 kg within 50 ppm (as weight makers' tables quote it)
    one_set = load_of([Weight(10.0, 50.0, "A")] * 10, bench)
    assert one_set.x == pytest.approx(100.0)
    assert expanded(one_set).u == pytest.approx(100.0 * 50e-6 / math.sqrt(3.0))
    ten_sets = load_of([Weight(10.0, 50.0, str(i)) for i in range(10)], bench)
    assert expanded(one_set).u / expanded(ten_sets).u == pytest.approx(math.sqrt(10.0))
    # and cancels where the same set is compared with itself
    assert (one_set / load_of([Weight(10.0, 50.0, "A")] * 5, bench)).u == pytest.approx(
        0.0, abs=1e-12
    )
    with pytest.raises(ValueError, match="no weights"):
        load_of([], bench)

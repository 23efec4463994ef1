"""Loads from a bench's weights, lever or jack: which weights, how sure, mass or force."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy import constants

from acq.bench.bench_file import Weight
from acq.bench.loading import Loading
from acq.bench.rig_file import Lever, ReferenceCell, Rig
from acq.cells.paper_fields import Load
from acq.errors import WrongInput

SET = (
    Weight(
        nominal_kilograms=20.0,
        pieces=4,
        conventional_kilograms=20.0004,
        expanded_uncertainty_kilograms=0.0004,
        certificate="C-1",
    ),
    Weight(
        nominal_kilograms=5.0,
        pieces=2,
        conventional_kilograms=4.9999,
        expanded_uncertainty_kilograms=0.0001,
        certificate="C-1",
    ),
    Weight(nominal_kilograms=1.0, pieces=3, expanded_uncertainty_kilograms=3e-5, certificate="C-2"),
)


def test_the_largest_weights_come_first_and_conventional_masses_are_added() -> None:
    made = Loading(Rig(), SET).applied(66.0, "kg", 100.0, 0.5)
    assert made.text == "66 kg (3 x 20 kg + 5 kg + 1 kg)"
    assert made.value == pytest.approx(3 * 20.0004 + 4.9999 + 1.0, rel=1e-12)
    assert made.hand == {"kilograms": 66.0}


def test_weights_of_one_set_are_off_together_and_sets_apart() -> None:
    """Fully correlated weights add arithmetically (practice; JCGM 100:2008, 5.2.2)."""
    errors = Loading(Rig(tilt_degrees=0.0), SET).applied(66.0, "kg", 100.0, 0.5).errors
    assert errors == {
        "weights, C-1": pytest.approx((3 * 0.0004 + 0.0001) / 2.0),
        "weights, C-2": pytest.approx(3e-5 / 2.0),
    }


def test_the_axis_out_of_plumb_takes_the_cosine() -> None:
    """cos 1 deg takes 152 ppm, cos 0.5 deg 38 ppm, at most; spread evenly."""
    for degrees, ppm in ((1.0, 152.3), (0.5, 38.08)):
        made = Loading(Rig(tilt_degrees=degrees), SET).applied(80.0, "kg", 100.0, 0.5)
        u = made.errors["alignment of the load"] / made.value
        assert u * math.sqrt(3.0) * 1e6 == pytest.approx(ppm, rel=1e-3)


def test_mass_becomes_force_by_gravity_and_air_and_never_without_them() -> None:
    """F = m g (1 - 1.2/8000) for a conventional mass (OIML D 28); g exact (CGPM 1901)."""
    made = Loading(Rig(gravity=constants.g), SET[:1]).applied(784.0, "N", 1000.0, 5.0)
    assert made.value == pytest.approx(4 * 20.0004 * 9.80665 * 0.99985, rel=1e-12)
    assert made.errors["air buoyancy"] / made.value == pytest.approx(0.1 / 8000 / math.sqrt(3))
    with pytest.raises(WrongInput, match="gravity is not known"):
        Loading(Rig(), SET).applied(784.0, "N", 1000.0, 5.0)
    by_place = Loading(Rig(latitude_deg=45.0), SET).gravity
    assert by_place is not None
    assert by_place.value == pytest.approx(9.80620, abs=1e-5)  # GRS80 at 45 deg, rounded tables
    assert "normal gravity" in by_place.source


def test_what_the_weights_cannot_make_is_refused_with_what_there_is() -> None:
    with pytest.raises(WrongInput, match=r"together 93 kg\) make no load within 0.1 kg of 63.5"):
        Loading(Rig(), SET).applied(63.5, "kg", 100.0, 0.1)
    with pytest.raises(WrongInput, match="no expanded_uncertainty_kilograms"):
        Loading(Rig(), (Weight(nominal_kilograms=10.0),)).applied(10.0, "kg", 100.0, 0.1)


def test_a_lever_multiplies_and_adds_its_ratio_and_friction() -> None:
    rig = Rig(
        kind="lever",
        tilt_degrees=0.0,
        lever=Lever(ratio=10.0, expanded_uncertainty_share=2e-4, friction_share=1e-4),
    )
    made = Loading(rig, SET).applied(660.0, "kg", 1000.0, 5.0)
    assert made.value == pytest.approx(10 * (3 * 20.0004 + 4.9999 + 1.0), rel=1e-12)
    assert made.hand == {"kilograms": 660.0}
    assert made.errors["lever ratio"] == pytest.approx(made.value * 1e-4)
    assert made.errors["lever friction"] == pytest.approx(made.value * 1e-4 / math.sqrt(3.0))
    falling = made.reached_falling
    assert dict(falling.errors) == {
        **made.errors,
        "lever friction": -made.errors["lever friction"],
    }


def test_a_jack_goes_by_its_reference_cell_and_not_beyond_it() -> None:
    reference = ReferenceCell(
        capacity_newtons=5000.0, expanded_uncertainty_share=4e-4, serial="R-9"
    )
    loading = Loading(Rig(kind="hydraulic", gravity=9.81, reference=reference), ())
    made = loading.applied(500.0, "kg", 500.0, 1.0)
    assert made.hand["newtons"] == pytest.approx(500 * 9.81 * 0.99985)
    assert made.errors["reference cell R-9"] == pytest.approx(500 * 2e-4)
    assert "forces stated as conventional mass" in loading.conversion(Load(500.0, "kg"))
    assert loading.conversion(Load(5000.0, "N")) == ""
    with pytest.raises(WrongInput, match="beyond the reference cell's capacity"):
        loading.applied(520.0, "kg", 600.0, 1.0)
    with pytest.raises(WrongInput, match="450 kg is beyond 400 kg"):
        loading.applied(450.0, "kg", 400.0, 1.0)  # the plan's lower maximum
    with pytest.raises(ValidationError, match=r"a hydraulic rig needs \[rig.reference\]"):
        Rig(kind="hydraulic")


@given(
    pieces=st.lists(st.integers(1, 6), min_size=1, max_size=4),
    share=st.floats(0.0, 1.0),
)
def test_no_load_is_ever_heavier_than_the_most_that_is_allowed(
    pieces: list[int], share: float
) -> None:
    """Whatever set there is: what is hung stays within the most, or it is refused."""
    weights = [
        Weight(
            nominal_kilograms=50.0 / 2**place, pieces=count, expanded_uncertainty_kilograms=0.001
        )
        for place, count in enumerate(pieces)
    ]
    most = share * 100.0
    try:
        made = Loading(Rig(), weights).applied(most, "kg", most, 3.0)
    except WrongInput:
        return
    assert made.value <= most * (1 + 1e-9)
    assert abs(made.value - most) <= 3.0 + 1e-9

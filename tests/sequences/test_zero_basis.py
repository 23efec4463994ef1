"""The zero that pairs predict where the excitation is read, against Kirchhoff's laws."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from acq.analysis import network
from acq.analysis.leads import ARMS, FOUR_WIRE_PAIRS, INPUT, SIX_WIRE_PAIRS, Lead
from sequences.half_bridge import LOWER, UPPER, predicted
from sequences.shunt_check import expected_change
from sequences.shunt_output import at_the_pad
from tests.sequences.kirchhoff import Bridge

ohms = st.floats(100.0, 2000.0)
small = st.floats(0.05, 5.0)


@st.composite
def bridges(draw: st.DrawFn) -> Bridge:
    arms = (draw(ohms), draw(ohms), draw(ohms), draw(ohms))
    leads = (*(lead for lead in Lead if lead not in (Lead.SHIELD, Lead.HOUSING)),)
    return Bridge(arms, (draw(small), draw(small)), {lead: draw(small) for lead in leads})


@given(bridges())
def test_per_volt_at_the_sense_leads_the_pairs_demand_what_is_measured_there(
    bridge: Bridge,
) -> None:
    pairs = {pair: bridge.ohms(pair) for pair in FOUR_WIRE_PAIRS}
    factor = pairs[INPUT] / bridge.kelvin()
    at_the_plug = network.predicted_zero(pairs)
    assert math.isclose(
        at_the_plug, bridge.zero(Lead.EX_PLUS, Lead.EX_MINUS), rel_tol=1e-7, abs_tol=1e-9
    )
    at_the_sense_leads = bridge.zero(Lead.SE_PLUS, Lead.SE_MINUS)
    assert math.isclose(at_the_plug * factor, at_the_sense_leads, rel_tol=1e-7, abs_tol=1e-9)


@given(bridges(), st.sampled_from(sorted(ARMS)), st.floats(1e3, 1e6))
def test_a_shunt_moves_the_zero_as_kirchhoff_says(
    bridge: Bridge, arm: str, shunt_ohms: float
) -> None:
    every = {pair: bridge.ohms(pair) for pair in SIX_WIRE_PAIRS}
    six = {pair: every[pair] for pair in FOUR_WIRE_PAIRS}
    places = {1.0: (Lead.EX_PLUS, Lead.EX_MINUS), 2.0: (Lead.SE_PLUS, Lead.SE_MINUS)}
    before = {factor: bridge.zero(*leads) for factor, leads in places.items()}
    one, other = ARMS[arm]
    bridge.parts.append((one.value, other.value, shunt_ohms))
    for factor, leads in places.items():
        pairs = six if factor == 1.0 else every
        found = expected_change(pairs, (one, other), shunt_ohms, factor)
        change = bridge.zero(*leads) - before[factor]
        assert math.isclose(found, change, rel_tol=1e-6, abs_tol=1e-9)


@given(bridges(), st.sampled_from(sorted(ARMS)), st.floats(1e3, 1e6))
def test_a_resistor_inside_the_cell_moves_the_zero_as_kirchhoff_says(
    bridge: Bridge, arm: str, shunt_ohms: float
) -> None:
    """From the pad of a signal lead to the plug of an excitation lead, by a lead of its own."""
    excitation, signal = ARMS[arm]
    conductor = next(ohms for one, _, ohms in bridge.parts if one == signal.value)
    pairs = {pair: bridge.ohms(pair) for pair in SIX_WIRE_PAIRS}
    before = bridge.zero(Lead.SE_PLUS, Lead.SE_MINUS)
    bridge.parts.append((excitation.value, signal.value.lower(), shunt_ohms))
    change = bridge.zero(Lead.SE_PLUS, Lead.SE_MINUS) - before
    inside = at_the_pad(pairs, signal, conductor)
    found = expected_change(inside, (excitation, signal), shunt_ohms, 2.0)
    assert math.isclose(found, change, rel_tol=1e-6, abs_tol=1e-9)


@given(bridges())
def test_three_pairs_of_a_half_bridge_demand_its_ratio(bridge: Bridge) -> None:
    volts = bridge.volts(Lead.EX_PLUS, Lead.EX_MINUS)
    ratio = (volts["S+"] - volts["Ex-"]) / (volts["Ex+"] - volts["Ex-"]) - 0.5
    pairs = {pair: bridge.ohms(pair) for pair in (INPUT, UPPER, LOWER)}
    assert math.isclose(predicted(pairs), ratio, rel_tol=1e-7, abs_tol=1e-9)

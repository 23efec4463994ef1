"""What papers allow: the most a cell may be given, and what must not be done to it."""

from __future__ import annotations

import pytest

from acq.analysis.leads import Lead
from acq.errors import WrongInput
from tests.acq.cells.papers import cell_of


def test_the_current_limit_is_of_the_lowest_resistance_on_the_papers() -> None:
    assert cell_of().current_limit(10.0) == pytest.approx(2.0 * 10.0 / 373.0)
    only_nominal = cell_of(input_resistance="385 ohm")
    assert only_nominal.current_limit(10.0) == pytest.approx(2.0 * 10.0 / 385.0)
    only_own = cell_of({"input_resistance": "384.6 ohm"}, input_resistance="")
    assert only_own.current_limit(10.0) == pytest.approx(2.0 * 10.0 / 384.6)


def test_without_a_resistance_on_the_papers_there_is_no_current_limit() -> None:
    with pytest.raises(WrongInput, match="add input_resistance to data sheet T"):
        cell_of(input_resistance="").current_limit(10.0)


@pytest.mark.parametrize(
    ("sheet", "type_", "volts"),
    [
        ({"excitation": "10 V"}, {"excitation_maximum": "15 V"}, 10.0),
        ({"excitation": "12 V"}, {"excitation_maximum": "10 V"}, 10.0),
        (None, {"excitation_maximum": "15 V"}, 10.0),
        (None, {"excitation_maximum": "8 V"}, 5.0),
        (None, {"excitation_maximum": "15 V", "excitation": "3 to 6 V"}, 6.0),
        (None, {}, 5.0),  # the papers do not say: the lower of the usual two
    ],
)
def test_the_excitation_is_that_of_the_papers_and_never_above_their_maximum(
    sheet: dict[str, str] | None, type_: dict[str, str], volts: float
) -> None:
    assert cell_of(sheet, **type_).excitation == volts


def test_a_marking_for_hazardous_areas_bounds_voltage_current_and_power() -> None:
    marking = {"marking": "invented marking", "maximum_voltage": "9 V", "maximum_current": "40 mA"}
    marked = cell_of(excitation_maximum="15 V", hazardous_area=marking)
    assert marked.maximum_excitation == 9.0
    assert marked.excitation <= 9.0
    assert marked.current_limit(9.0) == 0.04
    # 0.1 W in 373 ohm is 6.1 V
    by_power = cell_of(hazardous_area=marking | {"maximum_power": "0.1 W"})
    assert by_power.maximum_excitation == pytest.approx((0.1 * 373.0) ** 0.5)


@pytest.mark.parametrize(
    ("type_", "volts"),
    [
        ({}, 50.0),
        ({"insulation_voltage": "100 V"}, 50.0),
        ({"insulation_voltage": "25 V"}, 25.0),
        ({"insulation_voltage": "100 V", "insulation_voltage_maximum": "10 V"}, 10.0),
    ],
)
def test_insulation_is_tested_at_50_volts_or_less(type_: dict[str, str], volts: float) -> None:
    assert cell_of(**type_).insulation_voltage == volts


@pytest.mark.parametrize(
    ("loading", "refused"),
    [
        ("compression", ["tension", "both"]),
        ("tension", ["compression", "both"]),
        ("beam", ["both"]),
        ("universal", []),
        ("", []),
    ],
)
def test_a_cell_is_loaded_only_the_way_its_data_sheet_allows(
    loading: str, refused: list[str]
) -> None:
    cell = cell_of(**({"loading": loading} if loading else {}))
    for direction in ("", "tension", "compression", "both"):
        objection = cell.direction_objection(direction)
        assert (objection is not None) == (direction in refused), direction
        assert objection is None or f'loading "{loading}"' in objection


ALLOWED = {"insulation_procedure": "leads joined", "insulation_voltage_maximum": "10 V"}


@pytest.mark.parametrize(
    "type_",
    [
        {"electronics": "unknown"},
        {"electronics": "amplifier"},
        {"electronics": "digital"},
        {"electronics": "identification memory"},
        {"electronics": "surge protection"},
        {"gauges": "semiconductor"},
        {"gauges": "thin film"},
        {"hazardous_area": {"marking": "invented marking"}},
        {"electronics": "amplifier", "insulation_procedure": "leads joined"},  # no voltage
        {"electronics": "amplifier", "insulation_voltage_maximum": "10 V"},  # no procedure
        {"electronics": "unknown", **ALLOWED},
    ],
)
def test_some_cells_must_not_see_an_insulation_tester(type_: dict[str, object]) -> None:
    assert cell_of(**type_).insulation_objection


@pytest.mark.parametrize(
    "type_",
    [
        {},
        {"electronics": "surge protection", **ALLOWED},
        {"gauges": "thin film", **ALLOWED},
        {"hazardous_area": {"marking": "invented marking", "insulation_allowed": True}},
    ],
)
def test_papers_with_voltage_and_procedure_lift_the_objection(type_: dict[str, object]) -> None:
    assert cell_of(**type_).insulation_objection is None


@pytest.mark.parametrize(
    ("electronics", "bridge", "reversal"),
    [
        ("none", False, False),
        ("surge protection", False, False),
        ("identification memory", False, True),
        ("amplifier", True, True),
        ("digital", True, True),
        ("unknown", True, True),
    ],
)
def test_electronics_decide_the_route_and_forbid_reversal(
    electronics: str, bridge: bool, reversal: bool
) -> None:
    cell = cell_of(electronics=electronics)
    assert bool(cell.bridge_objection) is bridge
    assert bool(cell.reversal_objection) is reversal


def test_leads_and_pairs_follow_the_papers() -> None:
    assert len(cell_of().lead_pairs) == 6
    assert len(cell_of(cable={"wires": 6}).lead_pairs) == 15
    assert len(cell_of({"wires": 6}).lead_pairs) == 15  # the own sheet knows this very cable
    half = cell_of(bridge="half")
    assert [str(pair) for pair in half.lead_pairs] == ["Ex+ Ex-", "Ex- S+", "Ex+ S+"]
    assert half.leads == (Lead.EX_PLUS, Lead.EX_MINUS, Lead.S_PLUS)
    with pytest.raises(WrongInput, match=r"cable\.wires is blank"):
        _ = cell_of(cable={}).wires


def test_the_newest_own_sheet_counts_and_a_baseline_only_where_there_is_none() -> None:
    cell = cell_of({"rated_output": "2.001 mV/V"})
    sheet = cell.sheet
    assert sheet is not None
    newer = sheet.model_copy(update={"date": sheet.date.replace(year=2025), "rated_output": 2e-3})
    ours = newer.model_copy(update={"date": sheet.date.replace(year=2026), "ours": True})
    both = cell.model_copy(update={"calibration_sheets": (newer, sheet, ours)})
    assert both.sheet is newer
    assert both.rated_output == 2e-3
    alone = cell.model_copy(update={"calibration_sheets": (ours,)})
    assert alone.sheet is ours
    assert ours.name == "our baseline of 2026-01-31"


# 0.14 mm2 125, 0.25 mm2 70, 0.5 mm2 35, 1 mm2 17.5 mohm per metre: common cable tables, no source
@pytest.mark.parametrize(
    ("area", "ohms"),
    [("0.14 mm2", 0.125), ("0.25 mm2", 0.07), ("0.5 mm2", 0.035), ("1 mm2", 0.0175)],
)
def test_one_conductor_of_the_cable(area: str, ohms: float) -> None:
    cable = {"wires": 4, "length": "10 m", "conductor_area": area}
    assert cell_of(cable=cable).lead_ohms == pytest.approx(10.0 * ohms)
    assert cell_of({"cable_length": "5 m"}, cable=cable).lead_ohms == pytest.approx(5.0 * ohms)
    assert cell_of(cable={"wires": 4, "conductor_area": area}).lead_ohms is None

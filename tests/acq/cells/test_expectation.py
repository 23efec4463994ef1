from __future__ import annotations

import pytest

from acq.analysis.leads import INPUT, OUTPUT
from acq.cells.cell import Cell
from acq.cells.data_sheet import DataSheet
from acq.cells.expectation import earlier_readings, expected_cells
from acq.cells.folder import EXAMPLES, find_cell
from acq.errors import WrongInput


def example(serial: str) -> Cell:
    return find_cell(serial, EXAMPLES)


def test_a_symmetrical_six_wire_cell_is_expected_as_its_data_sheet_says() -> None:
    ((expected, weight),) = expected_cells(example("B-011902"), 22.3)
    assert weight == 1.0
    assert expected.wires == 6
    assert expected.legs_ohms == (17.0, 17.0)
    assert expected.output_ohms == pytest.approx(351.0)
    assert expected.input_ohms == pytest.approx(385.0, abs=0.5)
    assert expected.arm_uncertainty == pytest.approx(1.0)  # ±2 ohm hold 95 % of a lot
    assert expected.zero_uncertainty == pytest.approx(1e-5, rel=0.01)  # ±1 %RO of 2 mV/V
    assert expected.shield_connected is False
    assert expected.celsius == 22.3
    assert "symmetrical" in expected.compensation


def test_a_one_sided_cell_has_its_leg_at_the_named_lead() -> None:
    ((expected, _),) = expected_cells(example("A-000417"), None)
    assert expected.legs_ohms[1] == 0.0
    assert expected.legs_ohms[0] == pytest.approx(55.0)
    assert expected.celsius_uncertainty > 2.0


def test_a_shield_that_is_connected_by_design_is_known() -> None:
    ((expected, _),) = expected_cells(example("C-003358"), 22.0)
    assert expected.shield_connected is True


def test_papers_that_do_not_say_how_the_compensation_lies_leave_several_cells() -> None:
    cell = example("B-011902")
    sheet = cell.data_sheet.model_copy(
        update={"compensation": cell.data_sheet.compensation.model_copy(
            update={"layout": "unknown", "leg": None}
        )}
    )  # fmt: skip
    cells = expected_cells(cell.model_copy(update={"data_sheet": sheet}), 22.0)
    assert len(cells) == 3
    assert sum(weight for _, weight in cells) == pytest.approx(1.0)
    assert {expected.legs_ohms[0] == 0.0 for expected, _ in cells} == {True, False}


def test_the_own_sheet_gives_earlier_readings_of_the_cell() -> None:
    cell = example("B-011902")
    ((expected, _),) = expected_cells(cell, 22.0)
    (earlier,) = earlier_readings(cell, expected)
    assert earlier.kind.pairs == (INPUT, OUTPUT)
    assert earlier.values[:2] == (385.1, 351.3)
    assert earlier.values[2] == pytest.approx(2 * 385.1 * -6.4e-6)
    assert earlier.kind.celsius == 22.3
    bare = cell.model_copy(update={"calibration_sheets": ()})
    assert earlier_readings(bare, expected) == ()


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        ({"type": "X", "electronics": "digital"}, "digital"),
        ({"type": "X", "electronics": "none", "bridge": "half"}, "half bridge"),
        ({"type": "X", "electronics": "none", "cable": {"wires": 4}}, "output resistance"),
        (
            {"type": "X", "electronics": "none", "output_resistance": "351 ± 2 ohm"},
            "cable.wires is blank",
        ),
    ],
)
def test_papers_that_describe_no_passive_full_bridge_are_refused(
    sheet: dict[str, object], said: str
) -> None:
    cell = Cell(serial="", data_sheet=DataSheet.model_validate(sheet))
    with pytest.raises(WrongInput, match=said):
        expected_cells(cell, 22.0)

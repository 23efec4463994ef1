"""Papers as people write them: units, spans, blanks, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.cells.calibration_sheet import CalibrationSheet
from acq.cells.cell import Cell
from acq.cells.data_sheet import DataSheet
from acq.cells.folder import find_cell, find_data_sheet, find_workshop, known_serials
from acq.cells.paper_fields import load
from acq.cells.paper_units import (
    FORCE,
    MASS,
    OHMS,
    RATIO,
    celsius,
    of_output,
    per_kelvin,
    quantity,
    ratio,
)
from acq.cells.span import Span, read_span
from acq.errors import WrongInput
from drivers.written_file import FileError, check


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("385 ± 12 ohm", (385.0, 373.0, 397.0)),
        ("385 +/- 12 Ohm", (385.0, 373.0, 397.0)),
        ("400 Ω ± 2,5 %", (400.0, 390.0, 410.0)),
        ("373 to 397 ohm", (None, 373.0, 397.0)),
        ("373 - 397 ohm", (None, 373.0, 397.0)),
        ("373...397 ohm", (None, 373.0, 397.0)),
        (">= 5 Gohm", (None, 5e9, None)),
        ("≥ 5000 Mohm", (None, 5e9, None)),
        ("> 20 Gohm", (None, 20e9, None)),
        ("max. 3 kohm", (None, None, 3000.0)),
        ("± 2 ohm", (0.0, -2.0, 2.0)),
        ("351.3 ohm", (351.3, None, None)),
    ],
)
def test_spans_are_read_as_papers_print_them(
    text: str, expected: tuple[float | None, float | None, float | None]
) -> None:
    span = read_span(text, OHMS)
    assert (span.nominal, span.lower, span.upper) == pytest.approx(expected)


ENDS = st.floats(min_value=-1e12, max_value=1e12, allow_subnormal=False)


@given(st.lists(ENDS, min_size=3, max_size=3), st.integers(0, 4))
def test_a_span_reads_back_exactly(values: list[float], form: int) -> None:
    low, middle, high = sorted(values)
    forms = (Span(middle, low, high), Span(None, low, high), Span(lower=low), Span(upper=high))
    span = (*forms, Span(nominal=middle))[form]
    assert read_span(span.text("ohm"), OHMS) == span


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2.0011 mV/V", 2.0011e-3),
        ("20.011 mV at 10 V", 2.0011e-3),
        ("20,011 mV @ 10 V", 2.0011e-3),
        ("-2992.1 µV/V", -2.9921e-3),
    ],
)
def test_outputs_are_read_in_mv_per_v_or_in_mv_at_a_stated_voltage(
    text: str, expected: float
) -> None:
    assert ratio(text) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0.014 %RO/10 K", 1.4e-5),
        ("0.014 % RO / 10 °C", 1.4e-5),
        ("0.0014 %/K", 1.4e-5),
        ("14 ppm per K", 1.4e-5),
        ("0.007 %FS/5 K", 1.4e-5),
        ("0.0008 % per degF", 1.44e-5),
    ],
)
def test_an_effect_of_temperature_is_per_kelvin_whatever_the_paper_says(
    text: str, expected: float
) -> None:
    assert per_kelvin(text) == pytest.approx(expected, rel=1e-12)


def test_an_effect_without_its_step_is_refused() -> None:
    with pytest.raises(ValueError, match="needs its step"):
        per_kelvin("0.014 %RO")


def test_a_share_of_the_output_needs_the_output() -> None:
    assert quantity("1 %RO", of_output(2e-3)) == pytest.approx(2e-5)
    with pytest.raises(ValueError, match="unit '%RO': allowed are mV/V, uV/V, V/V"):
        quantity("1 %RO", of_output(None))


def test_loads_are_masses_or_forces_and_stay_what_they_are() -> None:
    assert load("2 t").unit == "kg"
    assert load("2 t").value == 2000.0
    assert load("1000 lb").value == pytest.approx(453.59237)
    assert load("5 kN").unit == "N"
    assert load("5 kN").value == 5000.0
    with pytest.raises(ValueError, match="a load is needed"):
        load("5 V")


@pytest.mark.parametrize("text", ["385", "385 mohm", "385 V", "ohm", "nan ohm", "1_0 ohm", ""])
def test_what_is_not_a_resistance_is_refused_with_what_is_allowed(text: str) -> None:
    with pytest.raises(ValueError, match="ohm"):
        quantity(text, OHMS)


def test_case_decides_only_where_it_must() -> None:
    assert quantity("2 KOHM", OHMS) == 2000.0
    with pytest.raises(ValueError, match="allowed are"):
        quantity("2 MV/V", RATIO)
    with pytest.raises(ValueError, match="allowed are"):
        quantity("2 mN", FORCE)
    assert quantity("3 KG", MASS) == 3.0


def test_temperatures_may_be_in_either_scale() -> None:
    assert celsius("22.3 °C") == 22.3
    assert celsius("72.14 degF") == pytest.approx(22.3)
    with pytest.raises(ValueError, match="a temperature is needed"):
        celsius("22.3")


def test_a_sheet_with_nothing_but_its_name_is_valid() -> None:
    sheet = check("sheet.toml", {"type": "X", "rated_output": "", "capacity": "-"}, DataSheet)
    assert sheet.rated_output is None
    assert sheet.capacity is None
    assert sheet.electronics == "unknown"


def test_a_zero_balance_in_percent_uses_the_output_of_the_same_sheet() -> None:
    table = {"type": "X", "rated_output": "3 mV/V ± 0.25 %", "zero_balance": "± 1.5 %RO"}
    sheet = check("sheet.toml", table, DataSheet)
    assert sheet.zero_balance is not None
    assert sheet.zero_balance.lower == pytest.approx(-4.5e-5)
    assert sheet.zero_balance.upper == pytest.approx(4.5e-5)


def test_an_own_sheet_takes_uncertainties_in_percent_of_its_own_output() -> None:
    table = {
        "date": "2024-01-31",
        "rated_output": "20 mV at 10 V",
        "rated_output_uncertainty": "0.02 %RO",
        "zero_balance": "0.5 %RO",
    }
    sheet = check("cell.toml", table, CalibrationSheet)
    assert sheet.rated_output_uncertainty == pytest.approx(4e-7)
    assert sheet.zero_balance == pytest.approx(1e-5)


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ({"capacity": "500"}, "sheet.toml: capacity: a load is needed"),
        ({"rated_output": 2.0}, "sheet.toml: rated_output: needs text with its unit"),
        ({"bridges": 4}, "sheet.toml: bridges: Input should be less than or equal to 3, got 4"),
        ({"inputresistance": "1 ohm"}, "sheet.toml: inputresistance: no such key here"),
        ({"electronics": "some"}, "sheet.toml: electronics: allowed is 'none', 'amplifier'"),
        ({"input_resistance": "385 ± -1 ohm"}, "sheet.toml: input_resistance: what stands behind"),
        ({"cable": {"wires": 5}}, "sheet.toml: cable.wires: allowed is 4 or 6, got 5"),
        ({"zero_balance": "± 1 %RO"}, "sheet.toml: zero_balance: unit '%RO': allowed are mV/V"),
        ({"rated_output": "2 V", "zero_balance": "1 mV/V"}, "sheet.toml: rated_output: unit 'V'"),
    ],
)
def test_a_wrong_sheet_names_the_file_the_key_and_what_is_allowed(
    table: dict[str, object], line: str
) -> None:
    with pytest.raises(FileError) as caught:
        check("sheet.toml", {"type": "X", **table}, DataSheet)
    assert str(caught.value).startswith(line)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "serial", ["A-000417", "B-011902", "C-003358", "D-000096", "E-000052", "F-000310"]
)
def test_shipped_cells_say_that_they_are_invented_and_survive_json(serial: str) -> None:
    cell = find_cell(serial)
    assert cell.note == cell.data_sheet.note == "invented"
    again = Cell.model_validate(json.loads(json.dumps(cell.model_dump(mode="json"))))
    assert again == cell
    assert cell.bridge_objection is None
    assert cell.insulation_objection is None
    assert "invented" in find_workshop().name


def test_a_load_table_gives_parts_of_the_capacity_and_volts_per_volt() -> None:
    sheet = find_cell("B-011902").sheet
    assert sheet is not None
    assert sheet.load_table is not None
    rising = sheet.load_table.points(500.0, "rising")
    assert rising[1] == pytest.approx((0.2, 0.40011e-3))
    falling = sheet.load_table.points(500.0, "falling")
    assert falling[0] == pytest.approx((0.8, 1.60088e-3))


@pytest.mark.parametrize(
    ("shunt", "said"),
    [
        ({"arm": "C", "lead": "Cal"}, "linked_to: a lead of its own is linked to Ex- or S+"),
        ({"arm": "A", "lead": "Cal", "linked_to": "Ex-"}, "Ex+ or S+ for arm A"),
        ({"arm": "B", "output": "1.4 mV/V"}, "lead: blank, so resistance is needed"),
        ({"arm": "E"}, "shunt.arm: allowed is 'A', 'B', 'C' or 'D', got 'E'"),
    ],
)
def test_a_shunt_that_contradicts_itself_is_refused(shunt: dict[str, object], said: str) -> None:
    with pytest.raises(FileError) as caught:
        check("sheet.toml", {"type": "X", "shunt": shunt}, DataSheet)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_unknown_serial_names_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(WrongInput, match=r"no cell 'B-11902'; nearest: B-011902"):
        find_cell("B-11902", tmp_path)
    with pytest.raises(WrongInput, match="no data sheet of type 'BB-SB50'; nearest: BB-S"):
        find_data_sheet("BB-SB50", tmp_path)


def test_a_serial_is_never_a_way_out_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "cells" / "a").mkdir(parents=True)
    (tmp_path / "cells" / "a" / "b.toml").write_text('serial = "a/b"\ntype = "BB-SB500"\n')
    (tmp_path / "outside.toml").write_text('serial = "x"\ntype = "BB-SB500"\n')
    for serial in ("../outside", "../../etc/passwd", "a/b"):
        with pytest.raises(WrongInput, match="no cell"):
            find_cell(serial, tmp_path)


def test_the_workshops_own_papers_come_first(tmp_path: Path) -> None:
    (tmp_path / "cells").mkdir()
    own = tmp_path / "cells" / "B-011902.toml"
    own.write_text('serial = "B-011902"\ntype = "BB-SB500"\nnote = "ours"\n')
    assert find_cell("B-011902", tmp_path).note == "ours"
    assert "B-011902" in known_serials(tmp_path)
    own.write_text('serial = "B-011903"\ntype = "BB-SB500"\n')
    with pytest.raises(FileError, match=r"B-011902\.toml: serial: is 'B-011903'"):
        find_cell("B-011902", tmp_path)


def test_the_folder_can_be_named_by_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BRIDGEBENCH_CELLS", str(tmp_path))
    (tmp_path / "cells").mkdir()
    (tmp_path / "cells" / "Z-1.toml").write_text('serial = "Z-1"\ntype = "BB-SP30"\n')
    assert find_cell("Z-1").data_sheet.type == "BB-SP30"

"""`bridgebench convert`: factors from outside, and nothing silently assumed."""

from __future__ import annotations

import json
import math

import pytest
from scipy import constants

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode

Capture = pytest.CaptureFixture[str]


def converted(capsys: Capture, *arguments: str) -> tuple[float, list[str]]:
    assert run_command(["convert", *arguments, "--json"]) is ExitCode.DONE
    document = json.loads(capsys.readouterr().out)
    return document["result"], document["assumptions"]


def refused(capsys: Capture, *arguments: str) -> str:
    assert run_command(["convert", *arguments]) is ExitCode.WRONG_INPUT
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    return captured.err


# NIST SP 811 Appendix B, as scipy.constants has the factors
@pytest.mark.parametrize(
    ("unit", "to", "factor"),
    [
        ("lb", "kg", constants.pound),
        ("oz", "g", constants.ounce * 1e3),
        ("grain", "kg", constants.grain),
        ("short_ton", "kg", constants.short_ton),
        ("long_ton", "kg", constants.long_ton),
        ("lbf", "N", constants.pound_force),
        ("kgf", "N", constants.kilogram_force),
        ("kp", "N", constants.kilogram_force),
        ("tf", "kN", constants.kilogram_force),
        ("in", "mm", constants.inch * 1e3),
        ("psi", "Pa", constants.psi),
        ("bar", "Pa", constants.bar),
    ],
)
def test_factors_are_those_of_the_published_list(
    capsys: Capture, unit: str, to: str, factor: float
) -> None:
    value, assumptions = converted(capsys, "1", unit, to)
    assert value == pytest.approx(factor, rel=1e-12)
    assert assumptions == []


def test_a_line_for_people_says_both_sides(capsys: Capture) -> None:
    run_command(["convert", "250", "lb", "kg"])
    assert capsys.readouterr().out == "250 lb = 113.3980925 kg\n"
    run_command(["convert", "-40", "degC", "degF"])
    assert capsys.readouterr().out == "-40 degC = -40 degF\n"


def test_mass_to_force_without_gravity_is_refused(capsys: Capture) -> None:
    for way in (("100", "kg", "N"), ("100", "N", "lb"), ("1", "t", "kgf")):
        assert "name --gravity, or --latitude and --height" in refused(capsys, *way)


def test_gravity_is_as_stated_or_by_a_named_formula(capsys: Capture) -> None:
    value, told = converted(capsys, "100", "kg", "N", "--gravity", "9.8118")
    assert value == pytest.approx(981.18)
    assert told == ["gravity 9.8118 m/s2 as stated; without air buoyancy"]
    # GRS80 at 45 degrees, 500 m: 9.804656585 m/s2 (reference library boule 0.6.0)
    value, told = converted(capsys, "100", "kg", "N", "--latitude", "45", "--height", "500")
    assert value == pytest.approx(980.4656585, abs=1e-6)
    assert "normal gravity of GRS80" in told[0]


def test_force_becomes_mass_and_back(capsys: Capture) -> None:
    there, _ = converted(capsys, "981.18", "N", "kg", "--gravity", "9.8118")
    assert there == pytest.approx(100.0)
    # 1 kip is 4448.2216152605 N, at standard gravity 1000 lb
    pounds, _ = converted(capsys, "1", "kip", "lb", "--gravity", "9.80665")
    assert pounds == pytest.approx(1000.0)


def test_buoyancy_takes_150_ppm_off_a_conventional_mass(capsys: Capture) -> None:
    # OIML D 28: 10 kg at 9.80665 m/s2 in air of 1.2 kg/m3
    value, told = converted(capsys, "10", "kg", "N", "--gravity", "9.80665", "--in-air")
    assert value == pytest.approx(98.051790025, rel=1e-9)
    assert "OIML D 28" in told[0]


def test_an_output_becomes_a_load_by_the_cells_own_sheet(capsys: Capture) -> None:
    # invented sheet of B-011902: 2.0011 mV/V at 500 kg, zero -0.0064 mV/V
    value, told = converted(capsys, "0.99415", "mV/V", "kg", "--sheet", "B-011902")
    assert value == pytest.approx(250.0, abs=1e-9)
    assert "own calibration sheet of 2023-11-27" in told[0]
    net, _ = converted(capsys, "1.00055", "mV/V", "kg", "--sheet", "B-011902", "--net")
    assert net == pytest.approx(250.0, abs=1e-9)
    mounted, _ = converted(
        capsys, "1.10055", "mV/V", "kg", "--sheet", "B-011902", "--zero", "0.1 mV/V"
    )
    assert mounted == pytest.approx(250.0, abs=1e-9)


def test_the_load_table_is_followed_where_asked(capsys: Capture) -> None:
    # row of the sheet: 40 % of 500 kg at 0.80026 mV/V above zero
    value, told = converted(
        capsys, "0.80026", "mV/V", "kg", "--sheet", "B-011902", "--net", "--by-table"
    )
    assert value == pytest.approx(200.0, abs=1e-9)
    assert told[0].startswith("by its load table, rising")
    arguments = ("2.5", "mV/V", "kg", "--sheet", "B-011902", "--net", "--by-table")
    assert "outside the load table" in refused(capsys, *arguments)


def test_each_direction_has_its_own_output(capsys: Capture) -> None:
    pulled, _ = converted(capsys, "2", "t", "mV/V", "--sheet", "C-003358", "--net")
    pushed, _ = converted(capsys, "-2", "t", "mV/V", "--sheet", "C-003358", "--net")
    assert [pulled, pushed] == pytest.approx([2.9946, -2.9921])
    back, _ = converted(capsys, "-2.9921", "mV/V", "t", "--sheet", "C-003358", "--net")
    assert back == pytest.approx(-2.0)


def test_an_output_in_force_needs_gravity_too(capsys: Capture) -> None:
    assert "--gravity" in refused(capsys, "1", "mV/V", "kN", "--sheet", "B-011902")
    value, _ = converted(
        capsys, "2.0011", "mV/V", "kN", "--sheet", "B-011902", "--net", "--gravity", "9.8118"
    )
    assert value == pytest.approx(500.0 * 9.8118e-3)


# IEC 60381-1: 4, 8, 12, 16, 20 mA are 0, 25, 50, 75, 100 %
@pytest.mark.parametrize(
    ("milliamperes", "percent"), [(4, 0), (8, 25), (12, 50), (16, 75), (20, 100)]
)
def test_a_loop_current_is_a_part_of_its_span(
    capsys: Capture, milliamperes: int, percent: int
) -> None:
    value, _ = converted(capsys, str(milliamperes), "mA", "percent")
    assert value == pytest.approx(percent, abs=1e-9)
    back, _ = converted(capsys, str(percent), "percent", "mA")
    assert back == pytest.approx(milliamperes)
    span = ("--lower", "100kg", "--upper", "0.5 t")
    weight, _ = converted(capsys, str(milliamperes), "mA", "kg", *span)
    assert weight == pytest.approx(100.0 + 4.0 * percent)
    again, _ = converted(capsys, repr(weight), "kg", "mA", *span)
    assert again == pytest.approx(milliamperes)


def test_a_current_outside_its_band_is_said_to_be_no_value(capsys: Capture) -> None:
    _, told = converted(capsys, "3.5", "mA", "percent")
    assert any("3.5 mA is failure, low" in line for line in told)


def test_what_cannot_be_converted_is_refused_with_what_is_missing(capsys: Capture) -> None:
    assert "--lower '0 kg'" in refused(capsys, "12", "mA", "kg")
    assert "--sheet SERIAL" in refused(capsys, "1", "mV/V", "kg")
    assert "near it: kg" in refused(capsys, "1", "kgg", "lb")
    assert "no way from kg (mass)" in refused(capsys, "1", "kg", "m")
    assert "finite" in refused(capsys, "nan", "kg", "lb")
    assert "nearest: B-011902" in refused(capsys, "1", "mV/V", "kg", "--sheet", "B-01190")
    assert "not both" in refused(capsys, "1", "kg", "N", "--gravity", "9.81", "--latitude", "4")
    assert "on earth" in refused(capsys, "1", "kg", "N", "--gravity", "98.1")
    assert "latitude must be" in refused(
        capsys, "1", "kg", "N", "--latitude", "100", "--height", "0"
    )
    assert "go together" in refused(capsys, "12", "mA", "kg", "--lower", "0 kg")


def test_percent_of_rated_output(capsys: Capture) -> None:
    value, _ = converted(capsys, "50", "%RO", "mV/V", "--sheet", "B-011902")
    assert value == pytest.approx(1.00055)
    back, _ = converted(capsys, "1.00055", "mV/V", "%RO", "--sheet", "B-011902")
    assert math.isclose(back, 50.0, rel_tol=1e-12)

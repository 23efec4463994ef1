"""`bridgebench convert 250 lb kg`: units, mass and force, output and load, loop and weight."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from acq.desk.numbers import NUMBER

if TYPE_CHECKING:
    from acq.cells.outputs import OutputLine
    from acq.desk.conversion import Converted


@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("value", type=NUMBER)
@click.argument("unit")
@click.argument("to")
@click.option("--gravity", type=NUMBER, help="Gravity of the place, m/s2.")
@click.option("--latitude", type=NUMBER, help="Latitude in degrees: gravity by a named formula.")
@click.option("--height", type=NUMBER, help="Height above the ellipsoid in m, with --latitude.")
@click.option(
    "--in-air", is_flag=True, help="Force of a weight hanging in air of 1.2 kg/m3: less 150 ppm."
)
@click.option("--sheet", "serial", help="Serial whose papers tie output to load.")
@click.option("--zero", help="Zero of the cell as mounted, such as '0.013 mV/V'.")
@click.option("--net", is_flag=True, help="The output is above zero already.")
@click.option("--by-table", is_flag=True, help="Follow the sheet's load table.")
@click.option("--lower", help="Load at 4 mA, such as '0 kg'.")
@click.option("--upper", help="Load at 20 mA.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document.")
def convert(
    value: float,
    unit: str,
    to: str,
    gravity: float | None,
    latitude: float | None,
    height: float | None,
    in_air: bool,
    serial: str | None,
    zero: str | None,
    net: bool,
    by_table: bool,
    lower: str | None,
    upper: str | None,
    as_json: bool,
) -> None:
    """Convert VALUE from UNIT TO another unit.

    \b
    convert 250 lb kg
    convert 100 kg N --gravity 9.8118
    convert 1.2 mV/V kg --sheet B-011902
    convert 12 mA percent
    convert 12 mA kg --lower '0 kg' --upper '1000 kg'
    """
    from acq.desk.conversion import Means
    from acq.desk.conversion import convert as converted

    factor, text = _force_factor(gravity, latitude, height, in_air)
    means = Means(
        force_factor=factor,
        force_text=text,
        line=_line(serial, zero, net, by_table),
        span=_span(lower, upper),
    )
    result = converted(value, unit, to, means)
    if as_json:
        click.echo(json.dumps(_document(value, unit, result)))
        return
    click.echo(f"{value:.10g} {unit} = {result.value:.10g} {result.unit}")
    for line in result.assumptions:
        click.echo(f"  {line}")


def _force_factor(
    gravity: float | None, latitude: float | None, height: float | None, in_air: bool
) -> tuple[float | None, str]:
    """Return N per kg and where it comes from; (None, "") when nothing was named."""
    from acq.errors import WrongInput
    from acq.readings.gravity import FORMULA, normal_gravity, weight_force

    if gravity is not None and latitude is not None:
        raise WrongInput("name --gravity or --latitude, not both")
    if height is not None and latitude is None:
        raise WrongInput("--height goes with --latitude")
    if gravity is not None:
        if not 9.7 <= gravity <= 9.9:
            raise WrongInput(f"--gravity {gravity:g}: on earth it is 9.76 to 9.84 m/s2")
        g, text = gravity, f"gravity {gravity:.10g} m/s2 as stated"
    elif latitude is not None:
        if height is None:
            raise WrongInput("--latitude needs --height, in m above the ellipsoid")
        try:
            g = normal_gravity(latitude, height)
        except ValueError as error:
            raise WrongInput(str(error)) from None
        text = f"gravity {g:.7f} m/s2: {FORMULA}, {latitude:g} degrees, {height:g} m"
    else:
        return None, ""
    if in_air:
        return weight_force(1.0, g), f"{text}; conventional mass in air of 1.2 kg/m3 (OIML D 28)"
    return g, f"{text}; without air buoyancy"


def _line(serial: str | None, zero: str | None, net: bool, by_table: bool) -> OutputLine | None:
    from acq.cells.folder import find_cell
    from acq.cells.outputs import output_line
    from acq.cells.paper_units import ratio
    from acq.errors import WrongInput

    if serial is None:
        return None
    if zero is not None and net:
        raise WrongInput("name --zero or --net, not both")
    try:
        taken = None if zero is None else ratio(zero)
    except ValueError as error:
        raise WrongInput(f"--zero: {error}") from None
    return output_line(find_cell(serial), zero=taken, net=net, by_table=by_table)


def _span(lower: str | None, upper: str | None) -> tuple[str, str] | None:
    from acq.errors import WrongInput

    if lower is None and upper is None:
        return None
    if lower is None or upper is None:
        raise WrongInput("--lower and --upper go together")
    return lower, upper


def _document(value: float, unit: str, result: Converted) -> dict[str, object]:
    return {
        "value": value,
        "unit": unit,
        "result": result.value,
        "result_unit": result.unit,
        "assumptions": list(result.assumptions),
    }

"""From the papers of a cell to what a sound one reads: `cells` on one side, `analysis` beyond."""

from __future__ import annotations

from acq.analysis.diagnosis import Earlier
from acq.analysis.expectation import ExpectedCell
from acq.analysis.leads import INPUT, OUTPUT
from acq.analysis.nominal import LAYOUTS, Candidates
from acq.analysis.papers import EarlierReadings
from acq.cells.calibration_sheet import CalibrationSheet
from acq.cells.cell import Cell
from acq.cells.span import Span
from acq.errors import WrongInput

SHARES = {
    "symmetrical": (0.5, 0.5),
    "one-sided Ex+": (1.0, 0.0),
    "one-sided Ex-": (0.0, 1.0),
    "none": (0.5, 0.5),
}
SHEET_OHMS = 0.25  # standard uncertainty of a sheet's resistance where it states none
SHEET_ZERO = 2e-6  # and of its zero, V/V
USUAL_CELSIUS = 22.0
UNKNOWN_CABLE = (0.4, 0.3)  # ohm per conductor and its standard uncertainty


def expected_cells(cell: Cell, celsius: float | None, wires: int | None = None) -> Candidates:
    """Return the sound cells that the papers allow, each with its probability beforehand.

    Several where the papers do not say how the compensation lies. Raises WrongInput where the
    papers do not describe a passive full bridge, or give no resistances.
    """
    sheet = cell.data_sheet
    if not sheet.passive:
        raise WrongInput(f"{sheet.name}: {cell.bridge_objection}")
    if sheet.bridge == "half":
        raise WrongInput(f"{sheet.name}: a half bridge has a pair table of its own")
    layouts = LAYOUTS
    if sheet.compensation.layout in SHARES:
        layouts = {SHARES[sheet.compensation.layout]: 1.0}
    count = wires or cell.wires
    return tuple((_expected(cell, share, celsius, count), p) for share, p in layouts.items())


def _expected(
    cell: Cell, share: tuple[float, float], celsius: float | None, wires: int
) -> ExpectedCell:
    sheet = cell.data_sheet
    known = cell.lead_ohms
    conductor, cable_spread = (known, 0.0) if known else UNKNOWN_CABLE
    output, output_spread = _about(sheet.output_resistance)
    input_, input_spread = _about(sheet.input_resistance)
    own = cell.sheet
    if output is None and own and own.output_resistance:
        output, output_spread = own.output_resistance, SHEET_OHMS
    if input_ is None and own and own.input_resistance:
        input_, input_spread = own.input_resistance, SHEET_OHMS
    if output is None:
        raise WrongInput(f"{sheet.name}: no paper gives an output resistance")
    arm = output - 2.0 * conductor
    legs = _legs(cell, share, arm, conductor, input_)
    zero = _about(sheet.zero_balance)
    rated = cell.rated_output or 2e-3
    return ExpectedCell(
        wires=wires,
        arm_ohms=arm,
        legs_ohms=(share[0] * legs, share[1] * legs),
        conductor_ohms=conductor,
        arm_uncertainty=max(output_spread, 1e-3 * arm),
        leg_uncertainty=max(input_spread, 0.02 * legs, 0.1),
        conductor_uncertainty=cable_spread,
        zero=zero[0] or 0.0,
        zero_uncertainty=zero[1] or 0.02 * rated,
        rated_output=rated,
        celsius=USUAL_CELSIUS if celsius is None else celsius,
        celsius_uncertainty=5.0 if celsius is None else 0.7,
        shield_connected={"connected": True, "not connected": False}.get(sheet.shield_to_housing),
        source=sheet.name,
    )


def _legs(
    cell: Cell, share: tuple[float, float], arm: float, conductor: float, input_: float | None
) -> float:
    """Return the sum of both compensation legs."""
    leg = cell.data_sheet.compensation.leg
    if cell.data_sheet.compensation.layout == "none":
        return 0.0
    if leg is not None:
        return leg / max(share)
    if input_ is None:
        return 0.1 * arm
    return max(input_ - arm - 2.0 * conductor, 0.0)


def _about(span: Span | None) -> tuple[float | None, float]:
    """Return the middle of a span and half of its half-width: tolerances hold 95 % of the lot."""
    if span is None or span.best is None:
        return None, 0.0
    if span.lower is None or span.upper is None:
        return span.best, 0.0
    return span.best, (span.upper - span.lower) / 4.0


def earlier_readings(cell: Cell, expected: ExpectedCell) -> tuple[Earlier, ...]:
    """Return what the cell's own newest sheet states, if any."""
    sheet = cell.sheet
    if sheet is None:
        return ()
    known = {INPUT: sheet.input_resistance, OUTPUT: sheet.output_resistance}
    pairs = tuple(pair for pair, ohms in known.items() if ohms is not None)
    values = [ohms for ohms in known.values() if ohms is not None]
    if sheet.zero_balance is not None:
        input_ohms = sheet.input_resistance or expected.input_ohms
        values.append(2.0 * input_ohms * sheet.zero_balance)  # as `expectation.zero_as_ohms`
    if not values:
        return ()
    kind = EarlierReadings(
        pairs=pairs,
        uncertainties=(_sheet_ohms(sheet),) * len(pairs),
        zero_uncertainty=_sheet_zero(sheet) if sheet.zero_balance is not None else None,
        celsius=USUAL_CELSIUS if sheet.temperature is None else sheet.temperature,
    )
    return (Earlier(kind, tuple(values)),)


def _sheet_ohms(sheet: CalibrationSheet) -> float:
    stated = sheet.resistance_uncertainty
    return SHEET_OHMS if stated is None else stated / 2.0


def _sheet_zero(sheet: CalibrationSheet) -> float:
    stated = sheet.zero_balance_uncertainty
    return SHEET_ZERO if stated is None else stated / 2.0

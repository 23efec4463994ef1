"""The check standard of a bench: does it still read what it has always read?

A kept box, wired like a cell: a dummy bridge of stable resistors and a giga-ohm to its housing.
First the meter's own zero with its inputs shorted, then the box. Every value goes on a chart of
individuals and moving ranges; beyond the limits the bench is closed for certificates.
"""

from __future__ import annotations

from pathlib import Path

from acq.analysis import network
from acq.analysis.leads import INPUT, OUTPUT, Lead, LeadPair
from acq.bench.bench import Request
from acq.bench.connections import Connection, Join, Polarity, bridge_leads, insulation, ohms
from acq.readings.control_chart import Chart, chart_of, warnings_of
from acq.readings.measured import Measured, Uncertain, is_number
from acq.readings.rules import Limit
from acq.readings.units import format_value
from acq.runs.check import Check
from acq.runs.effects import Needs
from acq.runs.findings import withheld
from acq.runs.fit_for_use import out_of_order
from acq.runs.run import Run
from acq.runs.sequence import sequence
from sequences import exciting, route, steps
from sequences.check_standard_plan import CheckStandardPlan
from sequences.insulation_paths import drawn_low, told_wrong, voltage_found

CHART_RULE = "simple acceptance"
RATIO = "ratio of the kept bridge"
POWERED = Needs(powered=True)


@sequence(
    roles=("scanner", "dmm", "supply", "insulation"),
    plan=CheckStandardPlan,
    plans=Path(__file__).parent / "plans",
    default_plan="check-standard",
    default_scenario="check-standard",
)
def check_standard(run: Run[CheckStandardPlan]) -> None:
    """Read the bench's kept bridge, resistors and giga-ohm, and chart them."""
    route.refuse_other_routes(run)
    route.ask_for_the_zone(run)
    short_volts(run)
    short_ohms(run)
    pairs = {pair: kept_pair(run, pair) for pair in (INPUT, OUTPUT)}
    kept_insulation(run)
    gate = steps.excitation_gate(run, pairs)
    if gate.is_open:
        gate = exciting.first_excitation(run)
    if gate.is_open:
        gate = kept_ratio(run)
    if not gate.is_open:
        run.withhold(RATIO, "ratio", "V/V", gate.because)
    state_of_the_bench(run)


# --- the meter's own zero


def short_volts(run: Run[CheckStandardPlan]) -> None:
    """Both volts inputs on one lead: offset of the meter and EMF of the contacts."""
    plan, volts = run.plan.short, min(run.plan.excitation.volts, run.cell.excitation)
    expected = abs(run.cell.rated_output or 2e-3) * volts
    range_ = run.ranges("dmm", "dc-voltage", at_least=expected)[0]
    joins = _joined("volts shorted", ("dmm HI", Lead.S_PLUS), ("dmm LO", Lead.S_PLUS))
    request = Request(quantity="dc-voltage", range_=range_, plc=plan.power_line_cycles)
    with run.connected(joins), run.check("short", "dc volts") as check:
        _short(run, check, "short, dc volts", request, "V", plan.emf_volts)


def short_ohms(run: Run[CheckStandardPlan]) -> None:
    """All four ohms terminals on one lead: zero of the range that the bridge is read in."""
    plan = run.plan.short
    at_least = 1.05 * steps.expected_ohms(run.cell, INPUT)
    range_ = run.ranges("dmm", "resistance", at_least=at_least)[0]
    joins = _joined("ohms shorted", *((t, Lead.EX_PLUS) for t in _OHMS_TERMINALS))
    request = Request(
        quantity="resistance",
        range_=range_,
        plc=plan.power_line_cycles,
        offset_compensation=True,
    )
    with run.connected(joins), run.check("short", "ohms") as check:
        _short(run, check, "short, ohms", request, "ohm", 0.0)


_OHMS_TERMINALS = ("dmm HI", "dmm LO", "dmm sense HI", "dmm sense LO")


def _short(
    run: Run[CheckStandardPlan],
    check: Check,
    name: str,
    request: Request,
    unit: str,
    more: float,
) -> None:
    """Judge a shorted reading by what the meter's manual allows at zero, and the contacts."""
    measured = check.measure(request, run.plan.short.readings)
    accuracy = run.accuracy("dmm", request.quantity, request.range_)
    if accuracy is None:
        check.finding(name, request.quantity, unit, measured, marks=("no accuracy is stated",))
        return
    allowed = accuracy.floor_limit + more
    source = f"bench file: accuracy of the dmm at zero; {run.plan.short.source}"
    limit = Limit(-allowed, allowed, unit, source)
    check.finding(name, request.quantity, unit, measured, [limit], rule=CHART_RULE, share=None)


# --- the kept box


def kept_pair(run: Run[CheckStandardPlan], pair: LeadPair) -> Measured:
    """Read one resistance of the box, and chart it."""
    with run.connected(ohms(pair)), run.check("kept resistance", pair) as check:
        measured = steps.measure_pair(run, check, pair)
        sigma = run.plan.charts.smallest_sigma_ohms
        charted(run, check, f"kept resistance {pair}", "resistance", "ohm", measured, sigma)
        sheet = run.cell.sheet
        if sheet is not None:
            known = sheet.input_resistance if pair == INPUT else sheet.output_resistance
            against_sheet(run, check, "resistance", "ohm", measured, known,
                          sheet.resistance_uncertainty, f"kept resistance {pair}")  # fmt: skip
    return measured


def kept_insulation(run: Run[CheckStandardPlan]) -> None:
    """Read the box's giga-ohm from all leads to its housing, and chart it."""
    plan, name = run.plan.insulation, "kept giga-ohm"
    if objection := run.cell.insulation_objection:
        run.withhold(name, "insulation resistance", "ohm", f"no insulation test: {objection}")
        return
    volts = min(plan.volts, run.cell.insulation_voltage)
    path = "leads to housing"
    with (
        run.connected(insulation(bridge_leads(run.cell.wires), [Lead.HOUSING])),
        run.test_voltage(volts, steps.test_voltage_prompt(volts, path)),
        run.check("kept giga-ohm") as check,
    ):
        check.wait(plan.dwell_s, f"read {plan.dwell_s:g} s after {volts:g} V")
        measured, told = steps.insulation_reading(run, check)
        applied = told.value or 0.0
        bad = told_wrong(plan, volts, applied)
        if bad and not drawn_low(plan, volts, applied, measured):
            voltage_found(run, check, path, volts, applied)
            check.withhold(bad)
            check.add(withheld(name, check.name, "insulation resistance", "ohm", bad))
            return
        share = run.plan.charts.smallest_sigma_insulation
        sigma = share * measured.x if is_number(measured) else 0.0
        charted(run, check, name, "insulation resistance", "ohm", measured, sigma)


def kept_ratio(run: Run[CheckStandardPlan]) -> steps.Gate:
    """Read the ratio of the kept bridge at both polarities, and chart it."""
    plan = run.plan.zero
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    excited: dict[Polarity, network.Excited[Uncertain]] = {}
    for side in Polarity:
        with run.excited(steps.excitation(run.cell, volts), side):
            if side is Polarity.NORMAL:
                settled = steps.warm_up(run)
                if not settled.is_open:
                    return settled
            with run.check("kept signal", side.value, POWERED) as check:
                check.wait(plan.settle_s, f"settling after {side.value} excitation")
                excited[side] = steps.signal_and_excitation(run, check)
    with run.check("kept ratio") as check:
        part = network.bridge_part(excited[Polarity.NORMAL], excited[Polarity.REVERSED])
        sigma = run.plan.charts.smallest_sigma_ratio
        charted(run, check, RATIO, "ratio", "V/V", part.ratio, sigma)
        if (sheet := run.cell.sheet) is not None:
            against_sheet(run, check, "ratio", "V/V", part.ratio, sheet.zero_balance,
                          sheet.zero_balance_uncertainty, RATIO)  # fmt: skip
    return steps.OPEN


# --- judging


def charted(
    run: Run[CheckStandardPlan],
    check: Check,
    name: str,
    quantity: str,
    unit: str,
    measured: Measured,
    smallest_sigma: float,
) -> None:
    """Put a value on its chart; with too few earlier ones it is only told."""
    plan = run.plan.charts
    earlier = [each.value for each in check.earlier(name, plan.points_at_most)]
    known = len(earlier) >= plan.points_at_least
    chart = chart_of(earlier, smallest_sigma) if known else None
    limits = []
    if chart is not None:
        limits = [Limit(chart.lower, chart.upper, unit, _source(chart, unit, plan.source))]
    if not is_number(measured):
        mark = "only a bound: no point of a chart"
        check.finding(
            name, quantity, unit, measured, limits, rule=CHART_RULE, share=None, marks=(mark,)
        )
        return
    if chart is None:
        mark = f"the chart begins: point {len(earlier) + 1}, limits from {plan.points_at_least} on"
        check.finding(name, quantity, unit, measured, marks=(mark,))
        return
    warned = tuple(f"WARNING: {text}" for text in warnings_of(chart, [*earlier, measured.x]))
    check.finding(name, quantity, unit, measured, limits, rule=CHART_RULE, share=None, marks=warned)
    step = measured - earlier[-1]
    step = step if step.x >= 0.0 else -step
    most = Limit(
        None, chart.largest_moving_range, unit, f"D4 x mean moving range, {chart.count} points"
    )
    check.finding(
        f"{name}, moving range", quantity, unit, step, [most], rule=CHART_RULE, share=None
    )


def _source(chart: Chart, unit: str, source: str) -> str:
    centre = format_value(chart.centre, unit, chart.sigma)
    return f"chart of {chart.count} points: {centre} ± 3 sigma ({source})"


def against_sheet(
    run: Run[CheckStandardPlan],
    check: Check,
    quantity: str,
    unit: str,
    measured: Measured,
    known: float | None,
    known_uncertainty: float | None,
    name: str,
) -> None:
    """Compare with the box's calibration by E_n, where its sheet gives value and uncertainty."""
    if known is None or known_uncertainty is None or not is_number(measured):
        return
    sheet = run.cell.sheet
    source = f"calibration of {run.cell.serial}, {sheet.date if sheet else ''}"
    limit = Limit(
        known - known_uncertainty,
        known + known_uncertainty,
        unit,
        source,
        reference=known,
        reference_uncertainty=known_uncertainty,
    )
    check.finding(
        f"{name} against its calibration",
        quantity,
        unit,
        measured,
        [limit],
        rule="normalised error",
        share=None,
    )


def state_of_the_bench(run: Run[CheckStandardPlan]) -> None:
    """Close the bench for certificates when something speaks against it, and say why it is."""
    failed = [f.name for f in run.findings if out_of_order(f.as_json())]
    with run.check("bench") as check:
        if failed:
            check.close_bench(f"check standard {run.cell.serial}: {', '.join(failed)}")
        if because := check.closed_because():
            name = "certificates of this bench"
            check.add(withheld(name, check.name, "state", "", f"none are given: {because}"))


def _joined(name: str, *joins: tuple[str, Lead]) -> Connection:
    return Connection(name, frozenset(Join(terminal, lead) for terminal, lead in joins))

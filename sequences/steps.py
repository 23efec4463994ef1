"""The steps that sequences of load cells share: ranges, gates, excitation, settling, ratios."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from acq.analysis import network
from acq.analysis.leads import FOUR_WIRE_PAIRS, INPUT, Lead, LeadPair
from acq.bench.bench import Excitation, Request
from acq.cells.cell import Cell
from acq.errors import WrongInput
from acq.readings.budget import expanded
from acq.readings.measured import Bound, Measured, Uncertain, is_number
from acq.readings.reading import Reading
from acq.readings.settling import Settling, StableCriterion
from acq.readings.units import format_value
from acq.runs.check import Check
from acq.runs.effects import Needs
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from sequences.acceptance_plan import AcceptancePlan
from sequences.ohms import expected_ohms as expected_ohms
from sequences.ohms import measure_pair as measure_pair

_PROTECTION = 1.1  # of the excitation: over-voltage protection, never above the sheet's maximum

SIGNAL = (Lead.S_PLUS, Lead.S_MINUS)
NOISE_PEAKS = 6.0  # peak to peak of some tens of readings that stand still, in deviations
STILL_DIGITS = 3.0  # that the last digits of a still value move over; common practice


@dataclass(frozen=True, slots=True)
class Gate:
    """Whether the next, more stressful step may be done; if not, why."""

    is_open: bool
    because: str = ""


OPEN = Gate(is_open=True)


def closed(because: str) -> Gate:
    return Gate(is_open=False, because=because)


# --- lead pairs


def numbers(pairs: Mapping[LeadPair, Measured]) -> dict[LeadPair, Uncertain] | None:
    """Return the pairs when all of them are numbers, None when one is open."""
    known = {pair: value for pair, value in pairs.items() if is_number(value)}
    return known if len(known) == len(pairs) else None


def excitation_gate(run: Run[AcceptancePlan], pairs: Mapping[LeadPair, Measured]) -> Gate:
    """No excitation onto a short or an open lead."""
    plan = run.plan.resistance
    for pair, measured in pairs.items():
        if pair not in FOUR_WIRE_PAIRS:
            continue
        if isinstance(measured, Bound) or measured.x > plan.open_above_ohms:
            return closed(f"no excitation: {pair} is open ({plan.gate_source})")
    short = shorted(run, pairs)
    return closed(f"no excitation: {short}") if short else OPEN


def shorted(run: Run[AcceptancePlan], pairs: Mapping[LeadPair, Measured]) -> str:
    """Say which pair is shorted; empty where none is."""
    plan = run.plan.resistance
    for pair, measured in pairs.items():
        if pair not in FOUR_WIRE_PAIRS or not is_number(measured):
            continue
        if measured.x < plan.short_below_share * expected_ohms(run.cell, pair):
            ohms = format_value(measured.x, "ohm")
            return f"{pair} is shorted, {ohms} ({plan.gate_source})"
    return ""


# --- insulation


def covered_by_another_path(run: Run[AcceptancePlan], path: str) -> bool:
    """Whether the papers make a path no test of its own.

    A shield tied to the housing is tested with it; never across the tie. Where the papers do
    not say that they are apart, shield to housing proves nothing.
    """
    tie = run.cell.data_sheet.shield_to_housing
    if path == "leads to shield":
        return tie == "connected"
    return path == "shield to housing" and tie != "not connected"


def test_voltage_prompt(volts: float, path: str) -> Prompt:
    """Asked before a test voltage goes on."""
    return Prompt(
        text=f"Insulation {path}: {volts:g} V goes on now. Hands off leads and cell?",
        caution=(
            f"Test voltage {volts:g} V. Disconnect everything electronic; touch no lead until"
            " the leads are discharged. Never in an explosive atmosphere. Your local electrical"
            " safety rules come first."
        ),
        choices=("yes", "no"),
    )


test_voltage_prompt.__test__ = False  # type: ignore[attr-defined]  # its name begins like a test


def insulation_reading(run: Run[AcceptancePlan], check: Check) -> tuple[Measured, Reading]:
    """Return the resistance, and the volts that the tester says it applied (or that were set)."""
    reading = check.read(Request(quantity="insulation-resistance", role="insulation"))
    applied = check.read(Request(quantity="dc-voltage", role="insulation"))
    return run.uncertainties.of(reading), applied


# --- excitation


def excitation(cell: Cell, volts: float) -> Excitation:
    """What the supply is told: current limit and protection from the papers alone."""
    maximum = cell.maximum_excitation
    if maximum is not None and volts > maximum:
        raise WrongInput(f"cell {cell.serial}: {volts:g} V is above its maximum of {maximum:g} V")
    protection = max(_PROTECTION * volts, volts + 1.0)
    return Excitation(
        volts=volts,
        current_limit=cell.current_limit(volts),
        protection_volts=protection if maximum is None else min(protection, maximum),
        remote_sense=True,
    )


def sense_leads(cell: Cell, wires: int | None = None) -> tuple[Lead, Lead]:
    """Where the excitation at the cell is measured; `wires` 4: not by its sense leads."""
    if (wires or cell.wires) == 6:
        return Lead.SE_PLUS, Lead.SE_MINUS
    return Lead.EX_PLUS, Lead.EX_MINUS


def volts_request(
    run: Run[AcceptancePlan], check: Check, magnitude: float, across: tuple[Lead, Lead]
) -> Request:
    """A dc volts request in the first range, from `magnitude` V on, that is not overloaded.

    Meters read a little beyond a range's nominal end, so 10 V are tried in the 10 V range.
    """
    return _tried(run, check, magnitude, across)[0]


def _tried(
    run: Run[AcceptancePlan], check: Check, magnitude: float, across: tuple[Lead, Lead]
) -> tuple[Request, Reading]:
    """Return the request of `volts_request`, and what it read when it was tried."""
    for range_ in run.ranges("dmm", "dc-voltage", at_least=magnitude):
        request = Request(quantity="dc-voltage", range_=range_, plc=run.plan.zero.power_line_cycles)
        reading = check.read(request, across=across)
        if reading.is_number:
            break
    return request, reading


def volts_at_the_cell(run: Run[AcceptancePlan], check: Check, wires: int | None = None) -> Measured:
    """Read the first excitation at the cell."""
    across = sense_leads(run.cell, wires)
    request = volts_request(run, check, run.plan.excitation.first_volts, across)
    return run.uncertainties.of(check.read(request, across=across))


def supply_current(run: Run[AcceptancePlan], check: Check) -> Measured:
    """Read the supply's own ammeter."""
    return run.uncertainties.of(check.read(Request(quantity="current", role="supply")))


def first_excitation_gate(run: Run[AcceptancePlan], volts: Measured, amperes: Measured) -> Gate:
    """Full excitation only when the first volt arrived as it should."""
    plan = run.plan.excitation
    share = plan.current_agreement_share
    wanted = plan.first_volts
    if not is_number(volts) or abs(volts.x - wanted) > share * wanted:
        return closed(
            f"no full excitation: {_said(volts, 'V')} at the cell instead of {wanted:g} V"
            " (sense lead open or exchanged, or current limit)"
        )
    expected = wanted / expected_ohms(run.cell, INPUT)
    spread = expanded(amperes).U
    if not is_number(amperes) or abs(amperes.x - expected) > share * expected + spread:
        return closed(
            f"no full excitation: the supply gives {_said(amperes, 'A')} instead of"
            f" {format_value(expected, 'A')}"
        )
    return OPEN


def _said(measured: Measured, unit: str) -> str:
    return format_value(measured.value if isinstance(measured, Bound) else measured.x, unit)


def warm_up(run: Run[AcceptancePlan]) -> Gate:
    """Wait until the zero stands still: by criterion, not by a fixed time."""
    return _still(run, "warm-up", run.plan.excitation.warm_up_s)


def stands_still(run: Run[AcceptancePlan]) -> Gate:
    """Wait until the zero of a cell that has been excited for a while stands still."""
    return _still(run, "zero at rest", 0.0)


def _still(run: Run[AcceptancePlan], name: str, first_s: float) -> Gate:
    plan = run.plan.excitation
    volts = min(plan.volts, run.cell.excitation)
    criterion = StableCriterion(
        window_s=plan.stable_window_s,
        drift=plan.stable_drift_ratio * volts,
        spread=plan.stable_spread_ratio * volts,
    )
    with run.check(name, needs=Needs(powered=True)) as check:
        if first_s:
            check.wait(first_s, "cell and supply warm up under excitation")
        looks = 6 if run.by_hand("dmm") else 12
        full = abs(run.cell.rated_output or 2e-3) * volts
        request, tried = _tried(run, check, full, SIGNAL)
        settling = Settling(as_fine_as_shown(run, criterion, tried))
        began: float | None = None
        while True:
            reading = check.read(request, across=SIGNAL)
            seconds = reading.ended_ns / 1e9
            began = seconds if began is None else began
            if reading.value is None:
                because = "the signal is over range"
                break
            state = settling.add(seconds, reading.value, reading.raw)
            if state.stable:
                return OPEN
            because = state.because
            if seconds - began > plan.warm_up_at_most_s:
                break
            check.wait(plan.stable_window_s / looks, "zero is not stable yet")
        check.withhold(f"not stable: {because}")
    return closed(f"not stable after warm-up: {because} ({plan.stable_source})")


def as_fine_as_shown(
    run: Run[AcceptancePlan], criterion: StableCriterion, reading: Reading
) -> StableCriterion:
    """Return a criterion that asks no more than this range of the meter can show.

    A zero far out is read in a coarse range, where the last digit alone would never be still.
    """
    accuracy = run.accuracy(reading.instrument, reading.quantity, reading.range_)
    noise, digit = 0.0, float(reading.settings.get("last_digit") or 0.0)
    if accuracy is not None:
        plc = reading.plc or accuracy.noise_plc
        noise = float(accuracy.noise * (accuracy.noise_plc / plc) ** 0.5)
        digit = max(digit, accuracy.resolution or 0.0)
    shown = max(NOISE_PEAKS * noise, STILL_DIGITS * digit)
    return replace(
        criterion, spread=max(criterion.spread, shown), drift=max(criterion.drift, shown)
    )


# --- ratio


def signal_request(run: Run[AcceptancePlan], check: Check) -> Request:
    """A request for the signal in the range that rated output needs, or a larger one."""
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    expected = abs(run.cell.rated_output or 2e-3) * volts
    return volts_request(run, check, expected, SIGNAL)


def signal_and_excitation(
    run: Run[AcceptancePlan],
    check: Check,
    wires: int | None = None,
    signal_leads: tuple[Lead, Lead] = SIGNAL,
    expected_signal: float | None = None,
) -> network.Excited[Uncertain]:
    """Read signal and excitation in turn, so that drift of the supply is bracketed.

    One meter reads both. The excitation comes signed: its HI stays on Ex+ (Se+).
    """
    at = sense_leads(run.cell, wires)
    full = min(run.plan.excitation.volts, run.cell.excitation)
    at_cell, tried_at_cell = _tried(run, check, full, at)
    if expected_signal is None:
        expected_signal = abs(run.cell.rated_output or 2e-3) * full
    request, tried = _tried(run, check, expected_signal, signal_leads)
    by_clips = not run.relays and tried.is_number and tried_at_cell.is_number
    # where clips are moved by hand the readings that found the ranges count: two moves less
    excitations: list[Reading] = [tried_at_cell if by_clips else check.read(at_cell, across=at)]
    signals: list[Reading] = [tried] if by_clips else []
    for number in range(len(signals), run.plan.zero.readings):
        signals.append(check.read(request, across=signal_leads))
        if run.relays or number == run.plan.zero.readings - 1:  # by hand clips move once
            excitations.append(check.read(at_cell, across=at))
    signal, excited = (run.uncertainties.mean(each) for each in (signals, excitations))
    if not is_number(signal) or not is_number(excited):
        raise WrongInput("signal or excitation is over range in the meter's largest range")
    return network.Excited(signal, excited)

"""Insulation: all leads joined to housing and to shield, shield to housing; the third point open.

Before a test voltage the multimeter shows that nothing below a megohm lies between its two
terminals. No lead is put on guard: where the shield touches the housing, by design or by a
fault, a guard would lead the leakage past the meter.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from acq.analysis.leads import Lead, LeadPair
from acq.bench.bench import Request
from acq.bench.connections import bridge_leads, insulation, ohms_joined
from acq.bench.taking import AS_SET
from acq.cells.limits import Limits
from acq.readings.measured import Bound, Measured, is_number
from acq.readings.rules import Limit
from acq.readings.units import format_bound, format_value
from acq.runs.check import Check
from acq.runs.findings import withheld
from acq.runs.prompts import CLIP_CAUTION, Prompt
from acq.runs.run import Run
from sequences import steps
from sequences.acceptance_plan import AcceptancePlan, Insulation
from sequences.clips import IT_IS_RIGHT, clip_anew
from sequences.diagnosis import Seen
from sequences.judging import judge
from sequences.steps import OPEN, Gate

QUANTITY = "insulation resistance"


@dataclass(frozen=True, slots=True)
class Path:
    """One path: which leads are joined on either side."""

    name: str
    leads: tuple[Lead, ...]
    against: tuple[Lead, ...]

    @property
    def finding(self) -> str:
        return f"insulation {self.name}"

    @property
    def reversed(self) -> Path:
        return Path(f"{self.name}, reversed", self.against, self.leads)


def all_leads(run: Run[AcceptancePlan]) -> tuple[Lead, ...]:
    """The leads of one bridge that are joined for its test."""
    if run.cell.data_sheet.bridge == "half":
        return tuple(run.cell.leads)
    return bridge_leads(run.cell.wires)


def paths_of(run: Run[AcceptancePlan]) -> Iterable[Path]:
    """The paths that the papers leave to be tested."""
    leads = all_leads(run)
    every = (
        Path("leads to housing", leads, (Lead.HOUSING,)),
        Path("leads to shield", leads, (Lead.SHIELD,)),
        Path("shield to housing", (Lead.SHIELD,), (Lead.HOUSING,)),
    )
    return [path for path in every if not steps.covered_by_another_path(run, path.name)]


def insulation_paths(
    run: Run[AcceptancePlan], limits: Limits, seen: Seen, gate: Gate = OPEN
) -> None:
    """Test every path; where papers or what the leads say (`gate`) forbid it, it is withheld.

    `exciting.gate_of_electronics` gives the gate, before a load `gate_of_test_voltage`.
    """
    for path in paths_of(run):
        if not gate.is_open:
            run.withhold(seen.named(path.finding), QUANTITY, "ohm", gate.because)
            continue
        objection = run.cell.insulation_objection or seen.tester_wrong
        if objection:
            because = f"no insulation test: {objection}"
            run.withhold(seen.named(path.finding), QUANTITY, "ohm", because)
            continue
        with run.skippable((seen.named(path.finding), QUANTITY, "ohm")):
            one_path(run, limits, seen, path)


def one_path(run: Run[AcceptancePlan], limits: Limits, seen: Seen, path: Path) -> None:
    """Multimeter first, then the test voltage, then the other polarity where it is doubtful."""
    if not apart(run, limits, seen, path):
        return
    measured = tested(run, limits, seen, path, clipped_by_hand=not run.relays)
    if _doubtful(run, measured):
        tested(run, None, seen, path.reversed, clipped_by_hand=False)


def _doubtful(run: Run[AcceptancePlan], measured: Measured | None) -> bool:
    below = run.plan.insulation.doubtful_below_ohms
    return measured is not None and is_number(measured) and measured.x < below


def apart(run: Run[AcceptancePlan], limits: Limits, seen: Seen, path: Path) -> bool:
    """Whether the multimeter sees the two sides apart; if not, its reading is the finding."""
    plan = run.plan.insulation
    leads = path.leads if run.relays else path.leads[:1]
    with (
        run.connected(ohms_joined(leads, path.against)),
        run.check("apart before test voltage", path.name) as check,
    ):
        measured = _multimeter_ohms(run, check, plan.apart_above_ohms)
        if not run.relays and is_number(measured) and measured.x < plan.apart_above_ohms:
            said = f"{path.name}: the multimeter reads {_told(measured)} where nothing is joined"
            if check.ask(clip_anew(run.joined(), said)) != IT_IS_RIGHT:
                measured = _multimeter_ohms(run, check, plan.apart_above_ohms)
        if isinstance(measured, Bound) or measured.x > plan.apart_above_ohms:
            return True
        seen.insulation[path.name] = measured
        seen.contacts[LeadPair.of(leads[0], path.against[0])] = measured.x
        limit = format_value(plan.apart_above_ohms, "ohm")
        mark = f"read by the multimeter: no test voltage onto less than {limit} ({plan.source})"
        found = limits.insulation(path.name)
        judge(check, seen, plan, path.finding, QUANTITY, "ohm", measured, found, marks=(mark,))
    return False


def _multimeter_ohms(run: Run[AcceptancePlan], check: Check, above: float) -> Measured:
    """Read in a range beyond `above`, then in the smallest that holds what was found."""
    ranges = run.ranges("dmm", "resistance", at_least=1.05 * above)[:1]
    reading = check.read(Request(quantity="resistance", range_=ranges[0], plc=1.0))
    if reading.is_number and reading.value is not None and reading.value <= above:
        finer = run.ranges("dmm", "resistance", at_least=1.2 * abs(reading.value))[0]
        again = check.read(Request(quantity="resistance", range_=finer, plc=1.0))
        reading = again if again.is_number else reading
    return run.uncertainties.of(reading)


def tested(
    run: Run[AcceptancePlan],
    limits: Limits | None,
    seen: Seen,
    path: Path,
    *,
    clipped_by_hand: bool,
) -> Measured | None:
    """Apply the test voltage and read early and at the end; None when it was not as it should.

    A tester that applied another voltage is not started again: `seen.tester_wrong` says so.

    What the multimeter found apart and the tester finds joined is, where a person has clipped,
    first a clip on the wrong lead: it is clipped anew and measured again, and that counts.
    """
    plan = run.plan.insulation
    volts = min(plan.volts, run.cell.insulation_voltage)
    with (
        run.connected(insulation(path.leads, path.against)),
        run.test_voltage(volts, steps.test_voltage_prompt(volts, path.name)),
        run.check("insulation", path.name) as check,
    ):
        early = _early(run, check, volts)
        rest = plan.dwell_s - (plan.early_s if early is not None else 0.0)
        check.wait(rest, f"insulation is read {plan.dwell_s:g} s after {volts:g} V")
        measured, told = steps.insulation_reading(run, check)
        applied, how = told.value or 0.0, f", {AS_SET}" if told.raw == AS_SET else ""
        marks = [f"at {applied:.1f} V{how} after {plan.dwell_s:g} s"]
        if early is not None:
            marks.append(_trend(plan.early_s, plan.dwell_s, early, measured))
        bad = told_wrong(plan, volts, applied)
        tester_wrong = bool(bad) and not drawn_low(plan, volts, applied, measured)
        again = clipped_by_hand and found_joined(plan, measured) and not tester_wrong
        if again:
            check.tell(
                Prompt(
                    text=f"The insulation tester reads {_told(measured)} {path.name}, and the"
                    " multimeter found them apart: look at each of its clips when it comes off;"
                    " they are clipped anew and it is measured again.",
                    caution=CLIP_CAUTION,
                )
            )
        elif bad:
            voltage_found(run, check, path.name, volts, applied)
            check.add(withheld(seen.named(path.finding), check.name, QUANTITY, "ohm", bad))
            seen.tester_wrong = bad if tester_wrong else ""
            return None
        else:
            found = () if limits is None else limits.insulation(path.name)
            judge(check, seen, plan, path.finding, QUANTITY, "ohm", measured, found, marks=marks)
        if limits is not None:
            seen.insulation[path.name] = measured
    return tested(run, limits, seen, path, clipped_by_hand=False) if again else measured


def found_joined(plan: Insulation, measured: Measured) -> bool:
    """Whether the tester reads less than what the multimeter has just found to be apart."""
    if isinstance(measured, Bound):
        return measured.kind == "below"
    return bool(measured.x < plan.apart_above_ohms)


def _early(run: Run[AcceptancePlan], check: Check, volts: float) -> Measured | None:
    plan = run.plan.insulation
    if not 0.0 < plan.early_s < plan.dwell_s:
        return None
    check.wait(plan.early_s, f"first look {plan.early_s:g} s after {volts:g} V, for the trend")
    return run.uncertainties.of(
        check.read(Request(quantity="insulation-resistance", role="insulation"))
    )


def _trend(early_s: float, late_s: float, early: Measured, late: Measured) -> str:
    """How the reading rose: a dry cell's rises or stays, a wet one's stays low or falls."""
    said = f"{_told(early)} after {early_s:g} s"
    if is_number(early) and is_number(late) and early.x > 0.0:
        said += f", ratio {late.x / early.x:.2f} ({late_s:g} s over {early_s:g} s)"
    return said


def _told(measured: Measured) -> str:
    if isinstance(measured, Bound):
        return format_bound(measured.value, measured.kind, "ohm")
    return format_value(measured.x, "ohm")


def told_wrong(plan: Insulation, volts: float, applied: float) -> str:
    """Return why a result at the voltage that was read back does not count, or nothing."""
    low, high = plan.lowest_volts_share * volts, plan.highest_volts_share * volts
    if low <= applied <= high:
        return ""
    return f"the tester applied {applied:.1f} V instead of {volts:g} V"


def drawn_low(plan: Insulation, volts: float, applied: float, measured: Measured) -> bool:
    """Whether what is tested draws the voltage low: its fault, not the tester's."""
    return applied < volts and found_joined(plan, measured)


def voltage_found(
    run: Run[AcceptancePlan], check: Check, path: str, volts: float, applied: float
) -> None:
    """Keep the finding on a tester's voltage that is not the wanted one."""
    plan = run.plan.insulation
    low, high = plan.lowest_volts_share * volts, plan.highest_volts_share * volts
    spread = run.uncertainties.fresh(
        "tester voltage read back", plan.volts_uncertainty_share * abs(applied) / 3.0**0.5
    )
    measured: Any = applied + spread
    check.finding(
        f"test voltage {path}",
        "dc-voltage",
        "V",
        measured,
        [Limit(low, high, "V", plan.source)],
        rule="simple acceptance",
        share=None,
    )

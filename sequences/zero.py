"""Zero balance: both polarities by change-over, or on, off and on; against the lead pairs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acq.analysis import network
from acq.bench.connections import Polarity, excitation
from acq.bench.connections import volts as voltmeter
from acq.cells.limits import Limits
from acq.readings.budget import expanded
from acq.readings.measured import Uncertain
from acq.readings.rules import Limit
from acq.runs.check import Check
from acq.runs.prompts import live_caution
from acq.runs.run import Run
from sequences import exciting, hand_load, shunt_check, shunt_output, stability, steps
from sequences.acceptance_plan import AcceptancePlan
from sequences.clips import clip_anew
from sequences.diagnosis import Seen
from sequences.exciting import POWERED
from sequences.judging import judge

FINDINGS = (
    ("zero balance", "V/V"),
    ("thermal EMF", "V"),
    ("zero balance against the lead pairs", "V/V"),
)
SLIP_RATIO = 0.01  # V/V; a wrong lead shows some 0.25 V/V; common practice, no source
SLIP_SHARE = 0.2  # of the excitation; a wrong lead shows half of it; common practice, no source
Excited = network.Excited[Uncertain]


def withhold_zero(run: Run[AcceptancePlan], seen: Seen, because: str) -> None:
    """State that there is no zero, and why."""
    for name, quantity, unit in named_findings(seen):
        run.withhold(name, quantity, unit, because)


def named_findings(seen: Seen) -> list[tuple[str, str, str]]:
    """Return name, quantity and unit of what the zero gives."""
    return [(seen.named(name), name, unit) for name, unit in FINDINGS]


def zero(run: Run[AcceptancePlan], limits: Limits, seen: Seen) -> None:
    """Zero balance, with what is done under the same excitation beside it."""
    if seen.unsteady:
        withhold_zero(run, seen, seen.unsteady)
        return
    read: dict[str, Excited] = {}
    polarities, only = exciting.sides(run)
    for side in polarities:
        if not _one_side(run, limits, seen, read, side):
            return
    if only:
        _off_and_on(run, seen, read)
    zero_findings(run, limits, seen, read, only)


def _one_side(
    run: Run[AcceptancePlan],
    limits: Limits,
    seen: Seen,
    read: dict[str, Excited],
    side: Polarity,
) -> bool:
    """Read one polarity; False when the cell does not come to rest."""
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    wires = exciting.sensed_wires(run, seen)
    with run.excited(steps.excitation(run.cell, volts), side, wires):
        if side is Polarity.NORMAL:
            settled = steps.warm_up(run)
            if not settled.is_open:
                withhold_zero(run, seen, settled.because)
                return False
            exciting.input_by_supply(run, limits, seen)
        read[side.value] = signal(run, seen, side.value, f"{side.value} excitation")
        if side is Polarity.NORMAL:
            with run.skippable((seen.named("stability log"), "zero drift", "%RO/min")):
                stability.stability(run, seen)
            with run.skippable((seen.named("shunt check"), "zero balance", "V/V")):
                shunt_check.shunt_check(run, seen)
            calibration_resistor(run, limits, seen)
            with run.skippable((seen.named("hand load"), "rated output", "V/V")):
                hand_load.hand_load(run, seen)
    return True


def calibration_resistor(run: Run[AcceptancePlan], limits: Limits, seen: Seen) -> None:
    """The cell's own shunt resistor, where its papers state one."""
    with run.skippable((seen.named("shunt output"), "zero balance", "V/V")):
        shunt_output.shunt_output(run, limits, seen)


def signal(run: Run[AcceptancePlan], seen: Seen, about: str, after: str) -> Excited:
    """Signal and excitation in turn, after settling; `after` empty: it has settled already."""
    with run.check("signal", about, POWERED) as check:
        if after:
            check.wait(run.plan.zero.settle_s, f"settling after {after}")
        wires = exciting.sensed_wires(run, seen)
        excited = steps.signal_and_excitation(run, check, wires)
        if after and not run.relays and (slip := _slip(run, seen, excited)):
            volts = min(run.plan.excitation.volts, run.cell.excitation)
            meter = voltmeter(*steps.sense_leads(run.cell, wires))
            check.ask(clip_anew(meter, slip, live_caution(volts)))
            excited = steps.signal_and_excitation(run, check, wires)
        name = seen.named(f"excitation at the cell, {about}")
        check.finding(name, "dc-voltage", "V", excited.excitation)
    return excited


def _slip(run: Run[AcceptancePlan], seen: Seen, excited: Excited) -> str:
    """What the voltmeter read that a clip on another lead shows and a cell does not; else empty.

    The lead pairs demand the zero exactly, whatever is wrong with the cell.
    """
    full = min(run.plan.excitation.volts, run.cell.excitation)
    read = excited.excitation.x
    if abs(abs(read) - full) > SLIP_SHARE * full:
        return f"the excitation reads {read:.4g} V, {full:g} V are set"
    ratio = excited.signal.x / read
    if seen.predicted is None or abs(ratio - seen.predicted.x) <= SLIP_RATIO:
        return ""
    demanded = f"{1e3 * seen.predicted.x:.4g} mV/V"
    return f"the signal reads {1e3 * ratio:.4g} mV/V, the lead pairs demand {demanded}"


def _off_and_on(run: Run[AcceptancePlan], seen: Seen, read: dict[str, Excited]) -> None:
    """Without a change-over: off, then on again, so that a drift between the two cancels."""
    wires = exciting.sensed_wires(run, seen)
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    with run.connected(excitation(wires)):
        read["off"] = signal(run, seen, "off", "excitation off")
    with run.excited(steps.excitation(run.cell, volts), Polarity.NORMAL, wires):
        again = signal(run, seen, "on again", "normal excitation")
    first: Any = read[Polarity.NORMAL.value]
    second: Any = again
    read[Polarity.NORMAL.value] = network.Excited(
        (first.signal + second.signal) / 2.0, (first.excitation + second.excitation) / 2.0
    )


def zero_findings(
    run: Run[AcceptancePlan],
    limits: Limits,
    seen: Seen,
    read: Mapping[str, Excited],
    only: str,
) -> None:
    """What both excitations together say: the ratio, and apart from it the EMF."""
    plan = run.plan.zero
    with run.check("zero balance") as check:
        other = read["off"] if only else read[Polarity.REVERSED.value]
        part = network.bridge_part(read[Polarity.NORMAL.value], other)
        seen.zero, seen.emf = part.ratio, part.emf
        marks = [f"on, off and on: not reversed, {only}"] if only else []
        if seen.sense_objection:
            marks.append(f"per volt at the plug: {seen.sense_objection}")
        source = f"plan {run.plan.name}: {plan.emf_source}"
        allowed = Limit(-plan.emf_volts, plan.emf_volts, "V", source)
        judge(check, seen, plan, "thermal EMF", "dc-voltage", "V", part.emf, [allowed])
        judge(
            check,
            seen,
            plan,
            "zero balance",
            "zero balance",
            "V/V",
            part.ratio,
            limits.zero_balance,
            marks=marks,
        )
        agreement(check, seen, plan.agreement_rule)


def agreement(check: Check, seen: Seen, rule: str) -> None:
    """The measured zero against the one that the pairs demand, with the budget of both.

    Zero is the only value that a sound cell may show: with a guard band the plan's rule rejects by
    chance alone one sound cell in some hundreds (w = 0.5 U) or thousands (w = U), not in twenty.
    """
    if seen.predicted is None or seen.basis is None:
        check.withhold("no zero is predicted by the lead pairs")
        return
    difference = seen.zero - seen.predicted
    spread = expanded(difference).U
    source = "zero within ±U of the difference: the exact relation of six pair resistances"
    limit = Limit(-spread, spread, "V/V", source)
    check.finding(
        seen.named("zero balance against the lead pairs"),
        "zero balance",
        "V/V",
        difference,
        [limit],
        rule=rule,
        share=None,
        marks=(f"both per volt at {seen.basis.where}: {seen.basis.source}",),
    )

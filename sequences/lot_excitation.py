"""Zero of many cells: one warm-up for all that the supply can excite, then each read in turn.

The excitation of a group is on while each of its cells is read, so that the next ones are warm.
The supply senses at its own outputs then; what reaches each cell is measured at the cell. Its
current limit is the sum of what the papers promise plus once the largest cell's own margin.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from acq.analysis.leads import INPUT
from acq.bench.bench import Excitation
from acq.bench.connections import (
    Connection,
    Polarity,
    at_position,
    excitation_at_outputs,
    together,
)
from acq.errors import WrongInput
from acq.readings.measured import is_number
from acq.readings.rules import Limit
from acq.readings.settling import Settling, StableCriterion
from acq.runs.run import Run
from sequences import exciting, steps, zero
from sequences.exciting import POWERED
from sequences.lot_pieces import Piece, roomy, say_whose, turn_of
from sequences.lot_plan import LotPlan

LOOKS = 12  # at each zero in one window of the stability criterion


def zero_together(run: Run[LotPlan], pieces: Sequence[Piece], load: str) -> None:
    """First volt one by one, then warm-up and both polarities in groups, then the findings."""
    for piece in pieces:
        with turn_of(run, piece):
            piece.gate = _first_volt(run, piece)
            if not piece.gate.is_open:
                zero.withhold_zero(run, piece.seen, piece.gate.because)
    for group in groups(run, [piece for piece in pieces if piece.gate.is_open]):
        _one_group(run, group, load)


def _first_volt(run: Run[LotPlan], piece: Piece) -> steps.Gate:
    gate = exciting.gate_of_the_leads(run, piece.seen)
    if not gate.is_open:
        return gate
    gate = steps.closed("the first excitation was skipped")
    with run.skippable():
        gate = exciting.first_excitation(run, piece.seen)
    if gate.is_open and piece.seen.unsteady:
        return steps.closed(piece.seen.unsteady)
    return gate


def volts_of(run: Run[LotPlan], piece: Piece) -> float:
    return float(min(run.plan.excitation.volts, piece.cell.excitation))


def amperes_of(run: Run[LotPlan], piece: Piece) -> float:
    """What the papers' lowest input resistance takes, A. Raises WrongInput where none is given."""
    ohms = piece.cell.lowest_input_resistance
    if not ohms:
        raise WrongInput(f"{piece.serial}: no paper gives an input resistance")
    return volts_of(run, piece) / ohms


def groups(run: Run[LotPlan], pieces: Sequence[Piece]) -> Iterator[list[Piece]]:
    """Yield cells of one voltage, as many as the supply can excite at once with its margin.

    One by one where the bench file states no maximum_amperes, or the plan wants no sharing.
    """
    group: list[Piece] = []
    for piece in sorted(pieces, key=lambda each: volts_of(run, each)):
        if group and not _fits(run, [*group, piece]):
            yield group
            group = []
        group.append(piece)
    if group:
        yield group


def _fits(run: Run[LotPlan], group: Sequence[Piece]) -> bool:
    most = run.maximum_amperes
    if most is None or not run.plan.lot.shared_excitation:
        return False
    alike = volts_of(run, group[0]) == volts_of(run, group[-1])
    return alike and shared_limit(run, group) <= most


def shared_limit(run: Run[LotPlan], group: Sequence[Piece]) -> float:
    """The supply's current limit for a group in A: all of them, and one more for the margin."""
    amperes = [amperes_of(run, piece) for piece in group]
    return sum(amperes) + max(amperes)


def shared_excitation(run: Run[LotPlan], group: Sequence[Piece]) -> Excitation:
    """What the supply is told for a group: by the papers of each, the most careful counts."""
    volts = volts_of(run, group[0])
    each = [steps.excitation(piece.cell, volts) for piece in group]
    return Excitation(
        volts=volts,
        current_limit=shared_limit(run, group) if len(group) > 1 else each[0].current_limit,
        protection_volts=min(one.protection_volts for one in each),
        remote_sense=False,
    )


def _one_group(run: Run[LotPlan], group: Sequence[Piece], load: str) -> None:
    first = group[0].serial
    about = f"{first if len(group) == 1 else f'{len(group)} cells from {first}'}, {load}"

    def joins(side: Polarity) -> Connection:
        each = [at_position(excitation_at_outputs(side), piece.position) for piece in group]
        return together(each, f"excitation {side.value} of {about}")

    for side in Polarity:
        with run.excited_together(shared_excitation(run, group), joins, side):
            if side is Polarity.NORMAL:
                if run.relays:
                    _warm_up(run, group, about)
                else:
                    _warm_up_by_time(run, group, about)
                _supply_current(run, group, about)
            with run.check("settling", f"{side.value}, {about}", POWERED) as check:
                say_whose(check, group)
                check.wait(run.plan.zero.settle_s, f"settling after {side.value} excitation")
            for piece in group:
                if piece.gate.is_open:
                    with turn_of(run, piece):
                        if side is Polarity.NORMAL and not run.relays:
                            piece.gate = steps.stands_still(run)
                        if piece.gate.is_open:
                            piece.read[side.value] = zero.signal(run, piece.seen, side.value, "")
                            if side is Polarity.NORMAL:
                                zero.calibration_resistor(run, piece.limits, piece.seen)
    for piece in group:
        with turn_of(run, piece):
            if piece.gate.is_open:
                zero.zero_findings(run, piece.limits, piece.seen, piece.read, "")
            else:
                zero.withhold_zero(run, piece.seen, piece.gate.because)


def _warm_up(run: Run[LotPlan], group: Sequence[Piece], about: str) -> None:
    """One warm-up for all; over its last window each zero must stand still by the criterion."""
    plan = run.plan.excitation
    with run.check("warm-up", about, POWERED) as check:
        say_whose(check, group)
        still = {piece.serial: roomy(_still(run, piece), len(group)) for piece in group}
        before = max(0.0, plan.warm_up_s - max(each.window_s for each in still.values()))
        check.wait(before, f"{len(group)} cells and the supply warm up under excitation")
        watched: dict[str, Settling | None] = dict.fromkeys(still)
        because: dict[str, str] = {}
        began, requests = 0.0, None
        every_s = max(each.window_s for each in still.values()) / LOOKS
        rounds, seconds = 0, 0.0
        while True:
            rounds += 1
            for piece in [each for each in group if each.serial in watched]:
                with turn_of(run, piece):
                    requests = requests or steps.signal_request(run, check)
                    reading = check.read(requests, across=steps.SIGNAL)
                seconds = reading.ended_ns / 1e9
                began = began or seconds
                if reading.value is None:
                    because[piece.serial] = "the signal is over range"
                    del watched[piece.serial]
                    continue
                settling = watched[piece.serial]
                if settling is None:
                    shown = steps.as_fine_as_shown(run, still[piece.serial], reading)
                    settling = watched[piece.serial] = Settling(shown)
                state = settling.add(seconds, reading.value, reading.raw)
                if state.stable:
                    del watched[piece.serial]
                elif seconds - began > plan.warm_up_at_most_s:
                    because[piece.serial] = state.because
                    del watched[piece.serial]
            if not watched:
                break
            check.wait(max(0.0, began + rounds * every_s - seconds), "zero is not stable yet")
        if because:
            check.withhold("; ".join(f"{who}: {why}" for who, why in because.items()))
    for piece in group:
        if piece.serial in because:
            why = f"not stable after warm-up: {because[piece.serial]} ({plan.stable_source})"
            piece.gate = steps.closed(why)


def _warm_up_by_time(run: Run[LotPlan], group: Sequence[Piece], about: str) -> None:
    """By hand no meter looks at all zeros in turn: each is seen to stand still when it is clipped.

    Those behind it in the row warm up meanwhile.
    """
    with run.check("warm-up", about, POWERED) as check:
        say_whose(check, group)
        seconds = run.plan.excitation.warm_up_s
        check.wait(seconds, f"{len(group)} cells and the supply warm up under excitation")


def _still(run: Run[LotPlan], piece: Piece) -> StableCriterion:
    plan, volts = run.plan.excitation, volts_of(run, piece)
    return StableCriterion(
        window_s=plan.stable_window_s,
        drift=plan.stable_drift_ratio * volts,
        spread=plan.stable_spread_ratio * volts,
    )


def _supply_current(run: Run[LotPlan], group: Sequence[Piece], about: str) -> None:
    """The supply's ammeter against the sum of U / Rin: one cell that takes more would show."""
    volts = volts_of(run, group[0])
    ohms: list[Any] = [piece.seen.pairs.get(INPUT) for piece in group]
    if not all(each is not None and is_number(each) for each in ohms):
        return
    expected = sum(volts / each.x for each in ohms)
    share = run.plan.excitation.current_agreement_share
    with run.check("supply current together", about, POWERED) as check:
        say_whose(check, group)
        check.finding(
            f"supply current of {about}",
            "current",
            "A",
            steps.supply_current(run, check),
            [_about(expected, share, len(group))],
            rule="simple acceptance",
            share=None,
        )


def _about(expected: float, share: float, count: int) -> Limit:
    """Within the share of one cell's current: the cables take a little from each."""
    within = expected * max(share / count, 0.01)
    source = f"sum of U / Rin of {count} cells, as their pairs read"
    return Limit(expected - within, expected + within, "A", source)

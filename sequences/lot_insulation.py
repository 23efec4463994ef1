"""Insulation of many cells by few dwells: joined first, halved only where that does not pass.

Conductances in parallel add, so no cell of a joined group can be below what the group reads:

    1/R(joined) = sum 1/R(each)      therefore      R(each) >= R(joined)

A group that passes its strictest limit gives each of its cells the finding "> what was read".
A group that does not is halved. When one half passes, the rest of the conductance belongs to
the other half, which is then split without a dwell of its own where that convicts it. What is
left alone is tested as any single cell is, path by path.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from acq.analysis.leads import Lead
from acq.bench.bench import Request
from acq.bench.connections import (
    at_position,
    bridge_leads,
    insulation,
    ohms_joined,
    together,
)
from acq.readings.budget import budget
from acq.readings.conformity import Conformity, judge_deciding
from acq.readings.measured import Bound, Measured
from acq.readings.uncertainty import RELAY_LEAK
from acq.readings.units import format_value
from acq.runs.run import Run
from sequences import insulation_paths, steps
from sequences.exciting import gate_of_electronics
from sequences.insulation_paths import QUANTITY, Path
from sequences.judging import judge
from sequences.lot_pieces import Piece, evenly, say_whose, turn_of
from sequences.lot_plan import LotPlan


@dataclass(frozen=True, slots=True)
class JoinedPath:
    """What is joined on either side, and the paths of one cell that this proves."""

    name: str
    leads: tuple[Lead, ...]
    against: tuple[Lead, ...]
    proves: tuple[Path, ...]


def insulation_together(run: Run[LotPlan], pieces: Sequence[Piece]) -> None:
    """Test all paths of all pieces; those whose papers or leads forbid it have them withheld."""
    able = []
    for piece in pieces:
        with turn_of(run, piece):
            gate = gate_of_electronics(run, piece.seen)
            if gate.is_open and piece.cell.insulation_objection is None:
                able.append(piece)
            else:
                insulation_paths.insulation_paths(run, piece.limits, piece.seen, gate)
    if not able:
        return
    tester_wrong = ""
    for path in _joined_paths(run, able[0]):
        split = Split(run, path, tester_wrong)
        for group in evenly(able, split.most(able)):
            split.prove(group)
        tester_wrong = split.tester_wrong


def _joined_paths(run: Run[LotPlan], piece: Piece) -> list[JoinedPath]:
    """Leads against shield and housing at once; shield against housing where they are apart."""
    with turn_of(run, piece):
        paths = {path.name: path for path in insulation_paths.paths_of(run)}
    found = []
    outward = tuple(p for name, p in paths.items() if name.startswith("leads to"))
    if outward:
        against = tuple(lead for path in outward for lead in path.against)
        name = "leads to " + " and ".join(against)
        found.append(JoinedPath(name, bridge_leads(piece.cell.wires), against, outward))
    for name, path in paths.items():
        if path not in outward:
            found.append(JoinedPath(name, path.leads, path.against, (path,)))
    return found


class Split:
    """One path of one load: joined, and halved until all is proven or alone."""

    def __init__(self, run: Run[LotPlan], path: JoinedPath, tester_wrong: str = "") -> None:
        self._run, self._path = run, path
        self.tester_wrong = tester_wrong
        """Why no test voltage is put on any more: the tester applies another one."""

    def most(self, pieces: Sequence[Piece]) -> int:
        """How many sound cells pass together: more would be halved for nothing."""
        plan = self._run.plan.lot
        strictest = max((ohms for piece in pieces for ohms in self._least(piece)), default=0.0)
        if not strictest:
            return len(pieces)
        return max(1, int(plan.sound_ohms / (plan.joined_margin * strictest)))

    def prove(self, group: Sequence[Piece], left: float | None = None) -> float | None:
        """Give every piece its findings; return the conductance of the group in S if it passes.

        `left` is what it has at least by difference, where that is known: too much of it, and no
        dwell is spent on the whole group.
        """
        known = bool(self.tester_wrong) or self._too_much(group, left)
        joined = None if known else self._joined(group)
        if self.tester_wrong:
            self._withhold(group)
            return None
        if joined is not None and all(self._proven(piece, joined) for piece in group):
            self._tell(group, joined)
            return conductance(joined)
        if len(group) == 1:
            self._alone(group[0])
            return None
        if joined is not None:
            left = conductance(joined)
        half = len(group) // 2
        first = self.prove(group[:half])
        # a half that fails takes nearly all: the difference would be noise
        rest = left - first if left is not None and first is not None else None
        self.prove(group[half:], rest)
        return None

    def _too_much(self, group: Sequence[Piece], left: float | None) -> bool:
        """Whether what is known by difference shows that the group does not pass together."""
        strictest = max((ohms for piece in group for ohms in self._least(piece)), default=0.0)
        if left is None or not strictest:
            return False
        return left > 1.0 / (self._run.plan.lot.guilty_below_share * strictest)

    def _least(self, piece: Piece) -> list[float]:
        """The lower limits that decide for a piece, ohm."""
        return [
            limit.lower
            for path in self._path.proves
            for limit in piece.limits.insulation(path.name)
            if limit.decides and limit.lower is not None
        ]

    def _proven(self, piece: Piece, joined: Measured) -> bool:
        """Whether every path of the piece passes by what the group reads."""
        plan = self._run.plan.insulation
        for path in self._path.proves:
            found = piece.limits.insulation(path.name)
            if found:
                share = plan.largest_uncertainty_share
                judged = judge_deciding(at_least(joined), found, plan.rule, share)
                if judged.conformity is not Conformity.PASS:
                    return False
        return True

    def _tell(self, group: Sequence[Piece], joined: Measured) -> None:
        bound, plan = at_least(joined), self._run.plan.insulation
        others = len(group) - 1
        with_others = f"joined with {others} more of the lot, none of which" if others else "which"
        mark = (
            f"{self._path.name}, {with_others} can be below what all read together"
            f" after {plan.dwell_s:g} s ({self._run.plan.lot.joined_source})"
        )
        for piece in group:
            with turn_of(self._run, piece), self._run.check("insulation", self._path.name) as check:
                for path in self._path.proves:
                    found = piece.limits.insulation(path.name)
                    judge(
                        check, piece.seen, plan, path.finding, QUANTITY, "ohm", bound, found,
                        marks=(mark,),
                    )  # fmt: skip
                    piece.seen.insulation[path.name] = bound

    def _alone(self, piece: Piece) -> None:
        """The ordinary test of one cell, each path by itself."""
        with turn_of(self._run, piece):
            for path in self._path.proves:
                if self.tester_wrong:
                    self._withhold_path(path)
                    continue
                with self._run.skippable((path.finding, QUANTITY, "ohm")):
                    insulation_paths.one_path(self._run, piece.limits, piece.seen, path)
                self.tester_wrong = piece.seen.tester_wrong

    def _withhold(self, group: Sequence[Piece]) -> None:
        for piece in group:
            with turn_of(self._run, piece):
                for path in self._path.proves:
                    self._withhold_path(path)

    def _withhold_path(self, path: Path) -> None:
        because = f"no insulation test: {self.tester_wrong}"
        self._run.withhold(path.finding, QUANTITY, "ohm", because)

    def _joined(self, group: Sequence[Piece]) -> Measured | None:
        """What the group reads; None where no test voltage may go on, or it was not as told."""
        run, path, plan = self._run, self._path, self._run.plan.insulation
        if not self._apart(group):
            return None
        volts = min(plan.volts, *(piece.cell.insulation_voltage for piece in group))
        about = f"{path.name} of {_who(group)}"
        joins = together(
            [at_position(insulation(path.leads, path.against), p.position) for p in group],
            f"insulation {about}",
        )
        with (
            run.connected(joins),
            run.test_voltage(volts, steps.test_voltage_prompt(volts, about)),
            run.check("insulation joined", about) as check,
        ):
            say_whose(check, group)
            check.wait(plan.dwell_s, f"insulation is read {plan.dwell_s:g} s after {volts:g} V")
            measured, told = steps.insulation_reading(run, check)
            applied = told.value or 0.0
            if bad := insulation_paths.told_wrong(plan, volts, applied):
                check.withhold(bad)
                if not insulation_paths.drawn_low(plan, volts, applied, measured):
                    self.tester_wrong = bad
                return None
        return measured

    def _apart(self, group: Sequence[Piece]) -> bool:
        """Whether the multimeter sees the two sides of all of them apart."""
        run, path, plan = self._run, self._path, self._run.plan.insulation
        about = f"{path.name} of {_who(group)}"
        joins = together(
            [at_position(ohms_joined(path.leads, path.against), p.position) for p in group],
            f"ohms {about}",
        )
        with run.connected(joins), run.check("apart before test voltage", about) as check:
            say_whose(check, group)
            range_ = run.ranges("dmm", "resistance", at_least=1.05 * plan.apart_above_ohms)[0]
            reading = check.read(Request(quantity="resistance", range_=range_, plc=1.0))
            value = reading.value
            apart = not reading.is_number or value is None or value > plan.apart_above_ohms
            if not apart:
                ohms = format_value(value or 0.0, "ohm")
                check.withhold(f"{ohms} between the two sides of one of them: no test voltage")
        return apart


def conductance(joined: Measured) -> float:
    """Return what a group conducts in S; at most, where its resistance is only bounded."""
    return 1.0 / (joined.value if isinstance(joined, Bound) else float(joined.x))


def _who(group: Sequence[Piece]) -> str:
    """The serials of a group, in the words of a prompt."""
    first, last = group[0].serial, group[-1].serial
    if len(group) <= 2:
        return first if len(group) == 1 else f"{first} and {last}"
    return f"{len(group)} cells, {first} to {last}"


def at_least(joined: Measured) -> Bound:
    """What a reading of the whole group says of each in it: none is below.

    What leaks through open relays makes the reading lower only, so it is not in doubt here.
    """
    if isinstance(joined, Bound):
        return joined
    lines = [line for line in budget(joined) if line.name != RELAY_LEAK]
    largest = lines[0].name if lines else ""
    spread = math.hypot(*(line.standard_uncertainty for line in lines))
    return Bound(float(joined.x), "above", spread, largest)

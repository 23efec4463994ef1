"""Each piece against its own lot: median and robust scale, so that an outlier cannot hide itself.

The scale is 1.4826 times the median absolute deviation, which is the standard deviation of a
normal population (as NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.6, tells of it),
never less than what the bench can tell apart. What is judged is the distance to the lot's
median: what all readings have in common, such as the meter's gain, cancels in it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from acq.analysis.leads import FOUR_WIRE_PAIRS
from acq.analysis.robust import median_and_scale
from acq.readings.measured import is_number
from acq.readings.rules import Limit
from acq.readings.units import format_value
from acq.runs.run import Run
from sequences.judging import judge
from sequences.lot_pieces import Piece, say_whose, turn_of
from sequences.lot_plan import LotPlan


@dataclass(frozen=True, slots=True)
class OfLot:
    """One quantity of the lot: who has a value, where the middle is and how wide it is."""

    name: str
    quantity: str
    unit: str
    values: Mapping[str, Any]  # GTC, by serial
    centre: Any
    scale: float

    def limit(self, lot: str, plan: LotPlan) -> Limit:
        """Return the limit of a distance to the median; the lot is its source."""
        within = plan.lot.held_beyond * self.scale
        source = (
            f"lot {lot}: median {format_value(self.centre.x, self.unit)} of {len(self.values)},"
            f" robust scale {format_value(self.scale, self.unit)}, {plan.lot.held_beyond:g} times"
            f" that allowed ({plan.lot.held_source})"
        )
        return Limit(-within, within, self.unit, source)


def compare(run: Run[LotPlan], lot: str, pieces: Sequence[Piece]) -> None:
    """Judge every piece by the lot; too few pieces say nothing of one another."""
    every = [
        of_lot
        for name, quantity, unit, values in _quantities(pieces)
        if len(values) >= run.plan.lot.least_cells
        and (of_lot := _of_lot(name, quantity, unit, values)) is not None
    ]
    for piece in pieces:
        with turn_of(run, piece), run.check("lot comparison") as check:
            mine = [each for each in every if piece.serial in each.values]
            if not mine:
                check.withhold(_why_not(run, piece, bool(every)))
            for each in mine:
                measured = each.values[piece.serial] - each.centre
                name = f"{each.name}, distance from the lot"
                found = [each.limit(lot, run.plan)]
                judge(
                    check, piece.seen, run.plan.lot, name, each.quantity, each.unit, measured, found
                )
    with run.check("lot") as check:
        say_whose(check, pieces)
        check.keep("lot", lot, [_kept(each, run.plan) for each in every])


def _why_not(run: Run[LotPlan], piece: Piece, any_: bool) -> str:
    if any_:
        return piece.seen.unsteady or "nothing of it was measured that the lot could be asked about"
    return f"fewer than {run.plan.lot.least_cells} pieces were measured: no lot to compare with"


def _quantities(pieces: Sequence[Piece]) -> list[tuple[str, str, str, dict[str, Any]]]:
    """Every quantity with the values of those pieces that have one and are steady."""
    steady = [piece for piece in pieces if not piece.seen.unsteady]
    found: list[tuple[str, str, str, dict[str, Any]]] = []
    for pair in FOUR_WIRE_PAIRS:
        values = {
            piece.serial: value
            for piece in steady
            if (value := piece.seen.pairs.get(pair)) is not None
            and is_number(value)
            and pair not in piece.seen.unsteady_pairs
        }
        found.append((f"resistance {pair}", "resistance", "ohm", values))
    zeros = {piece.serial: piece.seen.zero for piece in steady if piece.seen.zero is not None}
    found.append(("zero balance", "zero balance", "V/V", zeros))
    return found


def _of_lot(name: str, quantity: str, unit: str, values: dict[str, Any]) -> OfLot | None:
    serials = sorted(values, key=lambda serial: float(values[serial].x))
    middle = serials[(len(serials) - 1) // 2], serials[len(serials) // 2]
    centre = (values[middle[0]] + values[middle[1]]) / 2.0
    _, scale = median_and_scale([float(value.x) for value in values.values()])
    apart = sorted(float((value - centre).u) for value in values.values())
    scale = max(scale, apart[len(apart) // 2])
    return OfLot(name, quantity, unit, values, centre, scale) if scale > 0.0 else None


def _kept(each: OfLot, plan: LotPlan) -> dict[str, Any]:
    within = plan.lot.held_beyond * each.scale
    beyond = [
        serial
        for serial, value in each.values.items()
        if abs(float(value.x) - float(each.centre.x)) > within
    ]
    return {
        "name": each.name,
        "unit": each.unit,
        "median": float(each.centre.x),
        "scale": each.scale,
        "count": len(each.values),
        "beyond": beyond,
    }

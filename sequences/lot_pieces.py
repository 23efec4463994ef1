"""The pieces of a lot in their fixtures, and what is done to all of them at once before others."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, TypeVar

from acq.analysis.leads import INPUT
from acq.bench.connections import ohms
from acq.cells.cell import Cell
from acq.cells.limits import Limits
from acq.readings.settling import Settling, Stability, StableCriterion
from acq.runs.check import Check
from acq.runs.run import Run
from sequences import soak
from sequences.acceptance_plan import Soak
from sequences.diagnosis import Seen
from sequences.lot_plan import LotPlan
from sequences.ohms import expected_ohms, requests
from sequences.steps import OPEN, Gate

T = TypeVar("T")
LOOK_S = 1.0  # that one look at one cell takes, relays and all


def evenly(items: Sequence[T], most: int) -> list[Sequence[T]]:
    """Return the items in groups of at most so many, as even in size as can be."""
    count = -(-len(items) // most)
    size, more = divmod(len(items), count)
    ends = [0]
    for number in range(count):
        ends.append(ends[-1] + size + (number < more))
    return [items[first:last] for first, last in pairwise(ends)]


@dataclass(slots=True)
class Piece:
    """One cell of the lot in its fixture, with what is known of it so far."""

    cell: Cell
    position: int
    limits: Limits
    seen: Seen = field(default_factory=Seen)
    gate: Gate = OPEN
    read: dict[str, Any] = field(default_factory=dict)  # excited readings by polarity

    @property
    def serial(self) -> str:
        return self.cell.serial


@contextmanager
def turn_of(run: Run[LotPlan], piece: Piece) -> Iterator[None]:
    """While the block runs all is about this piece."""
    with run.on(piece.cell, piece.position):
        yield


def roomy(criterion: StableCriterion, count: int) -> StableCriterion:
    """Return a criterion whose window has readings enough when so many cells are read in turn.

    The same drift over a longer window is the stricter demand.
    """
    least_s = (criterion.minimum_readings + 1) * count * LOOK_S
    return replace(criterion, window_s=max(criterion.window_s, least_s))


def say_whose(check: Check, pieces: Iterable[Piece]) -> None:
    """Keep whose check this is: it goes into the record of each of them."""
    check.keep("cells", check.name, [piece.serial for piece in pieces])


def soak_together(run: Run[LotPlan], pieces: Sequence[Piece], load: str) -> None:
    """One wait for all fixtures: every input resistance in turn, until each stands still."""
    plan = run.plan.soak
    if plan is None:
        return
    with run.check("soak together", load) as check:
        say_whose(check, pieces)
        states = _watch(run, check, plan, pieces)
    for piece in pieces:
        with turn_of(run, piece), run.check("soak") as check:
            soak.tell(run, check, plan, piece.seen, *states[piece.serial])


def _watch(
    run: Run[LotPlan], check: Check, plan: Soak, pieces: Sequence[Piece]
) -> dict[str, tuple[Stability | None, str]]:
    """Return each piece's newest state, and why it is not good enough; "" when it is."""
    ended: dict[str, tuple[Stability | None, str]] = {}
    settlings: dict[str, Settling] = {}
    began, seconds, rounds = 0.0, 0.0, 0
    while True:
        rounds += 1
        for piece in pieces:
            if piece.serial in ended:
                continue
            with turn_of(run, piece):
                request = requests(run, expected_ohms(piece.cell, INPUT))[0]
                reading = check.read(request, joins=run.here(ohms(INPUT)))
                seconds = reading.ended_ns / 1e9
                began = began or seconds
                if reading.value is None or not reading.is_number:
                    ended[piece.serial] = None, ""
                    continue
                if piece.serial not in settlings:
                    still = roomy(soak.criterion(run, plan), len(pieces))
                    settlings[piece.serial] = Settling(still)
                state = settlings[piece.serial].add(seconds, reading.value, reading.raw)
                because = soak.too_long(run, plan, state, seconds - began)
            if state.stable or because:
                ended[piece.serial] = state, "" if state.stable else because
        if len(ended) == len(pieces):
            return ended
        rest = max(0.0, began + rounds * plan.every_s - seconds)
        check.wait(rest, "soak: Ex+ Ex- of every fixture is watched")

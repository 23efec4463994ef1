"""What the steps of a weighing chain share: readings on its terminals, displays, lifted wires."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from acq.analysis.chain_papers import Chain, ChainReadings, Kind, LoadState, Row
from acq.analysis.chain_steps import INHIBIT, LOOP_OPEN
from acq.bench.bench import Request
from acq.bench.connections import NOTHING, Connection, Join, PlantTerminal
from acq.cells import paper_units as units
from acq.cells.chain_visit import ChainVisit
from acq.errors import WrongInput
from acq.readings.measured import Measured, Uncertain, is_number
from acq.readings.reading import Reading
from acq.runs.check import Check
from acq.runs.findings import withheld
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from drivers.by_hand import NotUnderstoodError, parse_typed
from sequences.weighing_chain_plan import WeighingChainPlan

_ATTEMPTS = 10
_FAR = (
    0.6  # of the span beyond its ends: a display further off is typed twice before it is believed
)
NO_NUMBER = ("none", "alarm", "----", "dashes", "bad")


@dataclass(slots=True)
class Work:
    """One visit while it goes on: rows as found and as left, and what has to be put back."""

    run: Run[WeighingChainPlan]
    visit: ChainVisit
    states: dict[str, LoadState] = field(default_factory=dict)
    rows: list[Row] = field(default_factory=list)
    left: list[Row] = field(default_factory=list)
    as_left: bool = False
    pulsed: str = ""  # why a plain source and a DC meter must not be used; empty for plain DC
    lifted: dict[str, None] = field(default_factory=dict)

    @property
    def chain(self) -> Chain:
        return self.visit.chain

    @property
    def plan(self) -> WeighingChainPlan:
        return self.run.plan

    def keep(self, row: Row | None) -> None:
        """Keep a reading as found, or as left once that has begun."""
        if row is not None:
            (self.left if self.as_left else self.rows).append(row)

    def readings(self, rows: Sequence[Row]) -> ChainReadings:
        """Return rows with the states that they belong to."""
        used = {row.state for row in rows}
        states = {name: state for name, state in self.states.items() if name in used}
        return ChainReadings(states=states, rows=tuple(rows))


def refuse(check: Check, because: str) -> None:
    """State that a step gives nothing, and why: in the check, and as a finding that is withheld."""
    check.withhold(because)
    check.add(withheld(check.key, check.name, "state", "", because))


def row(kind: Kind, measured: Measured, **where: object) -> Row:
    """Return the row of a measured quantity; a bound is a row without a number."""
    if is_number(measured):
        return Row(kind=kind, value=measured.x, u=measured.u, **where)  # type: ignore[arg-type]
    return Row(kind=kind, value=None, u=0.0, **where)  # type: ignore[arg-type]


def meter(plus: str, minus: str) -> Connection:
    """The meter on two terminals of the plant."""
    return clipped("dmm HI", "dmm LO", plus, minus)


def clipped(high: str, low: str, plus: str, minus: str) -> Connection:
    """Two terminals of an instrument on two of the plant."""
    joins = frozenset({Join(high, PlantTerminal(plus)), Join(low, PlantTerminal(minus))})
    return Connection(f"{plus} to {minus}", joins)


def read(work: Work, check: Check, request: Request, at: Connection) -> Reading:
    """Take one reading with exactly this connection made."""
    ask = {"at": at.name, "quantity": request.quantity, "range": request.range_}
    got = check.effect("read", ask, lambda: work.run.bench.read(request, at).to_json())
    return Reading.from_json(got)


def volts(
    work: Work, check: Check, plus: str, minus: str, expected: float, quantity: str = "dc-voltage"
) -> Measured:
    """Return the mean voltage between two terminals, in the smallest range that holds it."""
    plan = work.plan
    for range_ in work.run.ranges("dmm", quantity, 1.05 * abs(expected)):
        request = Request(quantity=quantity, range_=range_, plc=plan.power_line_cycles)
        first = read(work, check, request, meter(plus, minus))
        if first.is_number:
            more = [
                read(work, check, request, meter(plus, minus)) for _ in range(plan.readings - 1)
            ]
            return work.run.uncertainties.mean([first, *more])
    return work.run.uncertainties.mean([first])


def ratio(work: Work, check: Check, signal: str, excitation: str) -> Measured:
    """Return signal over excitation, V/V: one meter, so U is read before and after the signal.

    What U moved meanwhile counts as uncertainty (rectangular between the two).
    """
    ends = f"{excitation}+", f"{excitation}-"
    before = volts(work, check, *ends, work.chain.terminal_volts)
    millivolts = volts(
        work, check, f"{signal} S+", f"{signal} S-", 3e-3 * work.chain.terminal_volts
    )
    after = volts(work, check, *ends, work.chain.terminal_volts)
    if not (is_number(before) and is_number(after)):
        return before if not is_number(before) else after
    if not is_number(millivolts):
        return millivolts
    level = (before + after) / 2.0
    if not abs(level.x) > 0.0:
        return millivolts
    moved = abs(after.x - before.x) / level.x / 12.0**0.5
    steady = work.run.uncertainties.fresh("excitation moved between two readings", moved)
    found: Uncertain = millivolts / level * (steady + 1.0)
    return found


def excitation_at(work: Work, place: str) -> str:
    """Terminals whose voltage the signal at this place is referred to."""
    return "transmitter Se" if place == "transmitter" and work.chain.sensed else f"{place} Ex"


def lift(work: Work, check: Check, wires: Sequence[str], what: str, caution: str) -> None:
    """Have wires taken off; they stand on the restore list from now on."""
    work.lifted |= dict.fromkeys(wires)
    check.ask(Prompt(text=f"Lift {what}.", caution=caution, lift=tuple(wires)))


def put_back(check: Check, wires: Sequence[str], what: str, caution: str = INHIBIT) -> None:
    """Have wires put back."""
    text = f"Put back {what}; screws tight."
    check.ask(Prompt(text=text, caution=caution, restore=tuple(wires)))


def whole_again(work: Work, check: Check, wires: Sequence[str]) -> None:
    """In a run that was cut off: first everything back that this check may have left lifted."""
    if int(check.effect("attempt", None, lambda: work.run.attempt)) > 1:
        put_back(check, wires, f"what is lifted of: {', '.join(wires)}")


@contextmanager
def in_loop(work: Work, check: Check, wire: str, plus: str, minus: str) -> Iterator[Connection]:
    """The meter in the loop: clipped across the wire first, then the wire lifted, so that it
    never opens; the wire back before the clips move.
    """
    at = meter(plus, minus)
    read(work, check, milliamps(work), at)  # sets the meter to mA before the wire is lifted
    lift(work, check, [wire], f"{wire}: the meter (mA) across it now carries the loop", LOOP_OPEN)
    yield at
    put_back(check, [wire], f"{wire}, before the meter's clips move", LOOP_OPEN)
    check.effect("clips off", at.name, lambda: work.run.bench.connect(NOTHING))


def milliamps(work: Work) -> Request:
    """The request for a loop current."""
    range_ = work.run.ranges("dmm", "dc-current", 0.0215)[0]
    return Request(quantity="dc-current", range_=range_, plc=work.plan.power_line_cycles)


def current(work: Work, check: Check, at: Connection) -> Measured:
    """Return the mean loop current, A: its size, since a 2-wire loop flows the other way round."""
    request = milliamps(work)
    taken = [read(work, check, request, at) for _ in range(work.plan.readings)]
    found = work.run.uncertainties.mean(taken)
    return -found if is_number(found) and found.x < 0.0 else found


def typed_number(
    check: Check, text: str, unit: units.Dimension, asked: str, by_itself: str = "",
    display: str = "", plausible: tuple[float, float] | None = None,
) -> float | None:  # fmt: skip
    """Return a typed value in SI; what is not understood, or hard to believe, is asked again.

    `asked` is the unit that the text asks for, which a bare number has; a typed unit wins.
    None for a word that says that no number is shown. Raises WrongInput after ten attempts.
    """
    problem, last = "", ""
    for _ in range(_ATTEMPTS):
        shown = f"{problem}. {text}" if problem else text
        prompt = Prompt(text=shown, choices=(), by_itself=by_itself, display=display)
        said = check.ask(prompt).strip()
        if said.lower() in NO_NUMBER:
            return None
        try:
            value = _understood(said, unit, asked)
        except (ValueError, NotUnderstoodError) as error:
            problem = str(error)
            continue
        if plausible is None or plausible[0] <= value <= plausible[1] or said == last:
            return value
        problem, last = f"{value:g} {unit.si} is hard to believe: correct it or type it again", said
    raise WrongInput(f"{text}: not understood after {_ATTEMPTS} attempts")


def _understood(said: str, unit: units.Dimension, asked: str) -> float:
    if said[-1:].isalpha() or said.endswith("%"):
        return units.quantity(said, unit)
    value, limit = parse_typed(said, unit.si, asked)
    if value is None or limit is not None:
        raise NotUnderstoodError("a number is needed, or 'none' where none is shown")
    return value


def display(work: Work, check: Check, state: str = "") -> float | None:
    """Return what the control system shows now, kg, with its moment in the journal."""
    chain = work.chain
    reach = _FAR * abs(chain.span_shown)
    low, high = sorted((chain.lower, chain.upper))
    check.now()
    where = f" ({state})" if state else ""
    return typed_number(
        check, f"Type the weight that the control system shows now{where}, kg; 'none' for none",
        units.MASS, "kg", display="control-system", plausible=(low - reach, high + reach),
    )  # fmt: skip

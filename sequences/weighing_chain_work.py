"""What the steps of a weighing chain share: rows, lifted wires, typed numbers and displays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from acq.analysis.chain_papers import Chain, ChainReadings, Kind, LoadState, Row
from acq.analysis.chain_steps import INHIBIT
from acq.cells import paper_units as units
from acq.cells.chain_visit import ChainVisit
from acq.errors import WrongInput
from acq.readings.measured import Measured, Uncertain, is_number
from acq.runs.check import Check
from acq.runs.findings import withheld
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from drivers.by_hand import NotUnderstoodError, parse_typed
from sequences.weighing_chain_plan import WeighingChainPlan

ATTEMPTS = 10
SUPPLY = "transmitter supply"  # on the list of what is lifted while it is off
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
    fitted: dict[str, None] = field(default_factory=dict)
    level: dict[str, Uncertain] = field(default_factory=dict)  # excitation found, by place

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
        return Row(kind=kind, value=measured.x, u=measured.u, measured=measured, **where)  # type: ignore[arg-type]
    return Row(kind=kind, value=None, u=0.0, **where)  # type: ignore[arg-type]


def shown_row(
    work: Work, kind: Kind, shown: float | None, more: object = 0.0, **where: object
) -> Row:
    """Return the row of a typed display; `more` are influences of expectation zero.

    A display is off by up to half its last digit, anywhere in between: a rectangle.
    """
    digit = work.run.uncertainties.fresh("last digit of the display", work.chain.digit / 12.0**0.5)
    spread: Uncertain = digit + more
    if shown is None:
        return Row(kind=kind, value=None, u=spread.u, **where)  # type: ignore[arg-type]
    return row(kind, spread + shown, **where)


def lift(work: Work, check: Check, wires: Sequence[str], what: str, caution: str) -> None:
    """Have wires taken off; they stand on the restore list from now on."""
    work.lifted |= dict.fromkeys(wires)
    check.ask(Prompt(text=f"Lift {what}.", caution=caution, lift=tuple(wires)))


def put_back(check: Check, wires: Sequence[str], what: str, caution: str = INHIBIT) -> None:
    """Have wires put back."""
    text = f"Put back {what}; screws tight."
    check.ask(Prompt(text=text, caution=caution, restore=tuple(wires)))


def whole_again(work: Work, check: Check, wires: Sequence[str]) -> bool:
    """In a run that was cut off: first everything back that this check may have left lifted."""
    taken_up = int(check.effect("attempt", None, lambda: work.run.attempt)) > 1
    if taken_up:
        put_back(check, wires, f"what is lifted of: {', '.join(wires)}")
    return taken_up


def typed_number(
    check: Check, text: str, unit: units.Dimension, asked: str, by_itself: str = "",
    display: str = "", plausible: tuple[float, float] | None = None,
) -> float | None:  # fmt: skip
    """Return a typed value in SI; what is not understood, or hard to believe, is asked again.

    `asked` is the unit that the text asks for, which a bare number has; a typed unit wins.
    None for a word that says that no number is shown. Raises WrongInput after ten attempts.
    """
    problem, last = "", ""
    for _ in range(ATTEMPTS):
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
    raise WrongInput(f"{text}: not understood after {ATTEMPTS} attempts")


def _understood(said: str, unit: units.Dimension, asked: str) -> float:
    if said[-1:].isalpha() or said.endswith("%"):
        return units.quantity(said, unit)
    value, limit = parse_typed(said, unit.si, asked)
    if value is None or limit is not None:
        raise NotUnderstoodError("a number is needed, or 'none' where none is shown")
    return value


def moment(work: Work, check: Check) -> int:
    """The bench's time in ns, kept: when something was read."""

    def act() -> int:
        return work.run.bench.time.now_ns()

    return int(check.effect("moment", None, act))


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

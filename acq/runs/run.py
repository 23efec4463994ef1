"""A run of one sequence: its checks, its open states, and what it does when it is taken up again.

A script is plain Python. Whatever it learns from outside goes through an effect of the current
check; the effect is in the journal before the script sees it. When a killed run is taken up, the
finished checks are answered from the journal and the bench is not touched; the first unfinished
check turns the run live: the open states (connection, excitation, test voltage) are established,
outermost first, and then it measures.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Any, Generic, TypeVar

from acq.bench.bench import Bench, Excitation, Request
from acq.bench.connections import NOTHING, Connection, Polarity, at_position, excitation
from acq.bench.hands import Hands
from acq.bench.loading import Loading
from acq.bench.stepped_time import SteppedTime
from acq.cells.cell import Cell
from acq.cells.subject import Subject
from acq.errors import BenchFailure, PauseAsked, Skipped, WrongInput
from acq.readings.conformity import Conformity
from acq.readings.specification import Accuracy, find_accuracy
from acq.readings.uncertainty import Uncertainties
from acq.runs.bench_book import BenchBook
from acq.runs.check import Check
from acq.runs.effects import FinishedCheck, Needs, Past
from acq.runs.findings import Finding, withheld
from acq.runs.journal import Journal
from acq.runs.live_desk import LiveDesk, NobodyThere
from acq.runs.open_states import OpenStates
from acq.runs.prompts import Answer, AskingHands, Prompt, Technician
from acq.runs.sequence import Plan
from acq.runs.states import Excited, FixturesLoaded, Joined, OpenState, TestVoltage
from acq.runs.watching import Watcher

P_co = TypeVar("P_co", bound=Plan, covariant=True)


class Run(Generic[P_co]):
    """What a sequence's script works with."""

    def __init__(
        self,
        *,
        journal: Journal,
        past: Past,
        cell: Subject,
        plan: P_co,
        uncertainties: Uncertainties,
        technician: Technician,
        open_bench: Callable[[Hands], Bench],
        accuracies: Mapping[str, Sequence[Accuracy]],
        indication_only: bool = False,
        between: Callable[[], None] = lambda: None,
        rest: Callable[[], None] = lambda: None,
        rest_excited: Callable[[], None] = lambda: None,
        pausing: Callable[[], bool] = lambda: False,
        book: BenchBook | None = None,
        desk: LiveDesk | None = None,
        loading: Loading | None = None,
        roles: Sequence[str] | None = None,
        by_hand: Sequence[str] = (),
        relays: bool = True,
        positions: Sequence[int] = (),
        maximum_amperes: float | None = None,
    ) -> None:
        self.subject = cell
        self.plan = plan
        self.journal = journal
        self.uncertainties = uncertainties
        self.indication_only = indication_only
        self.relays = relays  # whether relays make the joins; else a person moves clips
        self.positions = tuple(positions)  # fixtures that the scanner reaches
        self.maximum_amperes = maximum_amperes  # of the supply; None: not stated
        self.findings: list[Finding] = []
        self._turn: tuple[Cell, int] | None = None  # whose turn it is in a run on several cells
        self._past = past
        self._accuracies = accuracies
        self._technician = technician
        self._open_bench = open_bench
        self._bench: Bench | None = None
        self._between = between
        self._rest = rest
        self._rest_excited = rest_excited
        self._pausing = pausing
        self._skip_next: Skipped | None = None
        self._book = book
        self.desk = desk or NobodyThere()
        self._loading = loading
        self._roles = frozenset(accuracies if roles is None else roles)
        self._by_hand = frozenset(by_hand)
        self._states = self._no_states()
        self._current: Check | None = None
        self._seen: dict[str, int] = {}
        self._thread = threading.get_ident()

    # --- what a script says

    @contextmanager
    def check(self, name: str, about: object = None, needs: Needs | None = None) -> Iterator[Check]:
        """Open one check; `about` tells several of one name apart (a lead pair, a polarity).

        Raises ScriptDiffers when a journal that is taken up says something else at this place.
        """
        if self._current is not None:
            raise WrongInput(f"check {name!r} is opened inside {self._current.key!r}")
        self._have_a_rest()
        whose = "" if self._turn is None else self.cell.serial
        key = self._key(f"{whose}: {name}" if whose else name, about)
        finished = self._finished(key)
        told = "" if about is None else str(about)
        check = Check(self, key, name, told, finished, whose)
        self._current = check
        if finished is None:
            self.journal.append("check-opened", self._t(), check=key, attempt=self._past.attempt)
        try:
            yield check
        except Skipped as skipped:
            check.state, check.because = "skipped", str(skipped)
            self._current = None
            self._close(check, needs or Needs())
            raise
        finally:
            self._current = None
        self._close(check, needs or Needs())

    @contextmanager
    def skippable(self, *findings: tuple[str, str, str]) -> Iterator[None]:
        """Go on after a step that a person skips: its findings (name, quantity, unit) withheld."""
        try:
            yield
        except Skipped as skipped:
            for name, quantity, unit in findings:
                self.withhold(name, quantity, unit, str(skipped))

    @contextmanager
    def connected(self, connection: Connection) -> Iterator[None]:
        """Join instruments and leads while the block runs, in addition to the outer blocks."""
        with self._state(Joined(self.here(connection))):
            yield

    @contextmanager
    def on(self, cell: Cell, position: int) -> Iterator[None]:
        """While the block runs all is about this cell in this fixture: checks, joins, findings."""
        before, self._turn = self._turn, (cell, position)
        try:
            yield
        finally:
            self._turn = before

    @property
    def position(self) -> int | None:
        """The fixture of the cell whose turn it is; None where a run is about one cell."""
        return None if self._turn is None else self._turn[1]

    def here(self, connection: Connection) -> Connection:
        """Return a connection with the cell whose turn it is."""
        if self._turn is None or connection is NOTHING:
            return connection
        return at_position(connection, self._turn[1])

    @contextmanager
    def excited(
        self,
        wanted: Excitation,
        polarity: Polarity = Polarity.NORMAL,
        wires: int | None = None,
    ) -> Iterator[None]:
        """Excite the bridge while the block runs; off and down before the joins change.

        `wires` 4 takes the supply's sense to the Ex leads of a 6-wire cell too.
        """
        count = wires or self.cell.wires
        with self.excited_together(
            wanted, lambda side: self.here(excitation(count, side)), polarity
        ):
            yield

    @contextmanager
    def excited_together(
        self,
        wanted: Excitation,
        joins: Callable[[Polarity], Connection],
        polarity: Polarity = Polarity.NORMAL,
    ) -> Iterator[None]:
        """Excite the cells of all these joins at once while the block runs."""
        with self._state(Excited(joins, polarity, wanted)):
            yield

    @contextmanager
    def fixtures_loaded(self, name: str, prompt: Prompt) -> Iterator[None]:
        """Have cells laid into fixtures; they lie there while the block runs."""
        with self._state(FixturesLoaded(name, prompt)):
            yield

    def turn_excitation(self, side: Polarity) -> None:
        """Give the innermost excitation this polarity: off and down, changed over, on again.

        Raises WrongInput where nothing is excited.
        """
        self._states.turn_excitation(side)

    @contextmanager
    def test_voltage(self, volts: float, prompt: Prompt) -> Iterator[None]:
        """Apply the insulation tester's voltage while the block runs, after a person agreed."""
        with self._state(TestVoltage(volts, prompt)):
            yield

    def ranges(self, role: str, quantity: str, at_least: float) -> list[float | None]:
        """Return the ranges of the bench file that hold a magnitude, smallest first.

        Automatic range (None) alone when the bench file states none.
        """
        entries = self._accuracies.get(role, ())
        stated = sorted({e.range for e in entries if e.quantity == quantity and e.range})
        holding = [range_ for range_ in stated if range_ >= at_least * (1 - 1e-9)]
        return list(holding) or list(stated[-1:]) or [None]

    def accuracy(self, role: str, quantity: str, range_: float | None) -> Accuracy | None:
        """Return what the bench file says of one range, None where it says nothing."""
        return find_accuracy(tuple(self._accuracies.get(role, ())), quantity, range_, None)

    def failed(self, name: str) -> bool:
        """Whether a finding of the checks of this name fails."""
        return any(f.check == name and f.conformity is Conformity.FAIL for f in self.findings)

    def withhold(self, name: str, quantity: str, unit: str, because: str) -> None:
        """State that a finding is not given, and why: its precondition is not met."""
        with self.check(name) as check:
            check.state = "withheld"
            check.because = because
            check.add(withheld(name, check.name, quantity, unit, because))

    @property
    def cell(self) -> Cell:
        """The cell that is tested. Raises WrongInput in a run on a chain."""
        if self._turn is not None:
            return self._turn[0]
        if not isinstance(self.subject, Cell):
            raise WrongInput(f"{self.subject.serial} is no cell: this sequence tests one cell")
        return self.subject

    @property
    def conformities(self) -> list[Conformity]:
        return [finding.conformity for finding in self.findings]

    # --- what checks and states need

    @property
    def identity(self) -> tuple[str, str]:
        """The run's number and its sequence, as its journal has them."""
        opened = self.journal.lines[0].content["run"]
        return str(opened["number"]), str(opened["sequence"])

    @property
    def book(self) -> BenchBook:
        """What is known of the bench beyond this run. Raises BenchFailure without records."""
        if self._book is None:
            raise BenchFailure("no records: what the bench read before is not known")
        return self._book

    @property
    def loading(self) -> Loading:
        """What loads a cell on this bench. Raises WrongInput where its file says nothing."""
        if self._loading is None:
            raise WrongInput("the bench file has no [rig] and no [[weights]]: nothing loads a cell")
        return self._loading

    def has(self, role: str) -> bool:
        """Whether the bench has this role and the sequence uses it."""
        return role in self._roles

    def by_hand(self, role: str) -> bool:
        """Whether a person reads this role: no faster than a hand writes."""
        return role in self._by_hand

    @property
    def live(self) -> bool:
        """Whether this run has touched the bench."""
        return self._bench is not None

    @property
    def attempt(self) -> int:
        return self._past.attempt

    @property
    def bench(self) -> Bench:
        """The bench, opened at the first need: a replay that needs none opens none."""
        if self._bench is None:
            self._bench = self._open_bench(AskingHands(self.ask))
        return self._bench

    def begin_again(self, past: Past) -> None:
        """Start the script anew in this process: what is finished is answered by the journal."""
        self._past, self.findings = past, []
        self._states, self._current = self._no_states(), None
        self._seen, self._turn = {}, None
        self.uncertainties = self.uncertainties.anew()

    def _have_a_rest(self) -> None:
        """Between two checks a person may have a pause; what is told then is for the next one."""
        energised = self._states.energised()
        try:
            if not energised:
                self._rest()
            elif all(isinstance(state, Excited) for state in energised):
                self._rest_excited()
        except Skipped as skipped:
            self._skip_next = skipped

    def effect_allowed(self, check: Check) -> None:
        """Raises WrongInput for an effect outside its check or from another thread."""
        if threading.get_ident() != self._thread:
            raise WrongInput(f"check {check.key!r}: effects belong to the run's own thread")
        if self._current is not check:
            raise WrongInput(f"check {check.key!r}: an effect after the check has closed")

    def establish(self) -> None:
        """Bring about every open state that is not yet, outermost first."""
        self._between()
        skipped, self._skip_next = self._skip_next, None
        if skipped is not None:
            raise skipped
        self.bench.check()
        self._states.establish(self.ask)

    def joined(self) -> Connection:
        """The sum of the connections of all open states."""
        return self._states.joined()

    def ask(self, prompt: Prompt) -> Answer:
        """Have a prompt answered, and journal both (not replayed: states ask again)."""
        self.journal.append("prompt", self._t(), prompt=prompt.as_json())
        answer = self._technician.answer(prompt)
        self.journal.append("answer", self._t(), answer=answer.text, by=answer.by)
        return answer

    def tell(self, prompt: Prompt) -> None:
        """Have something done that the bench sees by itself; journalled, never answered."""
        self.journal.append("prompt", self._t(), prompt=prompt.as_json())
        self._technician.tell(prompt)

    def watch(self, request: Request, connection: Connection, watcher: Watcher) -> Any:
        """Read until the watcher has seen enough; say why whenever that changes."""
        because = ""
        while True:
            self._between()
            reading = self.bench.read(request, connection)
            if watcher.see(reading):
                return watcher.seen()
            if watcher.because != because:
                because = watcher.because
                self.journal.append("waiting", self._t(), seconds=watcher.every_s, because=because)
            self.bench.time.wait(watcher.every_s)

    def wait(self, seconds: float, because: str) -> None:
        """Let bench time pass, in steps that a person can interrupt."""
        self.journal.append("waiting", self._t(), seconds=seconds, because=because)
        end = self.bench.time.now_ns() + round(seconds * 1e9)
        time = self.bench.time
        step_s = time.step_s if isinstance(time, SteppedTime) else self.wait_step_s
        while (left := end - self.bench.time.now_ns()) > 0:
            self._between()
            self._pause_a_test_voltage()
            self.bench.check()
            self.bench.time.wait(min(left / 1e9, step_s))

    wait_step_s = 1.0

    def _pause_a_test_voltage(self) -> None:
        """Nobody waits for a dwell with a test voltage on leads: it ends, its check begins anew."""
        if self._states.test_voltage_on() and self._pausing():
            raise PauseAsked

    def look(self) -> None:
        """Obey who looks on and see that the guardian lives; often, in an effect that goes on.

        Raises Stopped, BenchFailure.
        """
        self._between()
        self.bench.check()

    def utc(self) -> datetime:
        return self.bench.utc()

    def append(self, what: str, **content: Any) -> None:
        """Write a line of the current check at the present bench time."""
        self.journal.append(what, self._t(), **content)

    # --- inside

    def _key(self, name: str, about: object) -> str:
        base = name if about is None else f"{name}, {about}"
        count = self._seen[base] = self._seen.get(base, 0) + 1
        return base if count == 1 else f"{base} ({count})"

    def _finished(self, key: str) -> FinishedCheck | None:
        """Return what the journal knows of this check, None when it must be measured."""
        finished = self._past.take(key)
        if finished is None or not finished.expired:
            return finished
        self.append("measured-again", check=key, because=finished.expired)
        return None

    def _close(self, check: Check, needs: Needs) -> None:
        if check.finished is not None:
            check.finished.end()
        else:
            self.append(
                "check-closed",
                check=check.key,
                attempt=self.attempt,
                state=check.state,
                because=check.because,
                needs=needs.as_json(),
            )
        self.findings.extend(check.findings)

    @contextmanager
    def _state(self, state: OpenState) -> Iterator[None]:
        if self._current is not None:
            raise WrongInput(f"{state.name} is opened inside check {self._current.key!r}")
        with self._states.within(state):
            yield

    def _no_states(self) -> OpenStates:
        def note(state: str, to: str) -> None:
            self.append("state", state=state, to=to)

        return OpenStates(lambda: self.bench, note)

    def _t(self) -> int:
        """Bench time for the journal; before the bench is opened that of the last line."""
        if self._bench is not None:
            return self._bench.time.now_ns()
        return int(self.journal.lines[-1].content["t"]) if self.journal.lines else 0

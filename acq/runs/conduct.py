"""Conducts a run from its opening to its closing line, new or taken up again.

Everything a person can have got wrong is looked at before the bench is touched. From then on
every way out switches off, proves it, closes the journal and delivers it.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from acq.bench.abilities import lacking
from acq.bench.bench import Bench
from acq.bench.bench_file import BenchFile, read_bench_file
from acq.bench.hands import Hands
from acq.bench.loading import Loading
from acq.bench.lock import await_guardian
from acq.bench.stepped_time import SteppedTime
from acq.cells.subject import Subject
from acq.desk.exit_codes import ExitCode, worst
from acq.errors import BenchFailure, PauseAsked, RepeatAsked, Stopped, WrongInput
from acq.readings.uncertainty import Uncertainties
from acq.records.bench_book import RecordedBenchBook
from acq.records.records import Records
from acq.runs.control_socket import Onlookers
from acq.runs.delivering import Delivery
from acq.runs.effects import Past, past_of, refuse_leftovers
from acq.runs.ending import exit_code_of, stopping_once, worst_conformity
from acq.runs.fit_for_use import check_of_the_day, overdue
from acq.runs.folders import RunFolder
from acq.runs.journal import Journal, Line
from acq.runs.live_desk import LiveDesk
from acq.runs.lot_journals import is_lot
from acq.runs.opening import Opening as Opening
from acq.runs.prompts import Technician
from acq.runs.run import Run
from acq.runs.sequence import Plan, Sequence, find_sequence
from drivers.errors import InstrumentError
from drivers.time import Time, WallTime
from drivers.written_file import FileError, check

JACK = "reference-indicator"  # the optional role of sequences that load a cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a run ended."""

    number: str
    code: ExitCode
    message: str  # one line, empty when all is said by the findings
    folder: RunFolder
    recorded: bool


class Conductor:
    """One run in this process, with everything it needs around it."""

    def __init__(
        self,
        *,
        folder: RunFolder,
        records: Records,
        time: Time,
        technician: Technician,
        onlooker: Callable[[Line], None],
        onlookers: Onlookers,
        desk: LiveDesk | None = None,
    ) -> None:
        self.folder = folder
        self._records = records
        self._time = time
        self._technician = technician
        self._onlooker = onlooker
        self._onlookers = onlookers
        self._desk = desk
        self._bench: Bench | None = None

    def open_new(self, opening: Opening) -> Outcome:
        """Begin a run in its new folder and conduct it to its end.

        Raises BenchFailure when a calibration is overdue and `indication_only` is not allowed.
        """
        if opening.bench.instruments:  # a form that was typed in has none, and opens no bench
            _refuse_missing(opening.sequence, opening.bench)
        opening = self._looked_at_due_dates(opening)
        journal = Journal(self.folder.journal, new=True)
        with contextlib.closing(journal):
            journal.watch(self._onlooker)
            at = self._time.utc() if isinstance(self._time, SteppedTime) else datetime.now(UTC)
            journal.append("opened", self._time.now_ns(), **opening.as_json(self.folder.number, at))
            script = opening.sequence
            return self._conduct(journal, Past(), script, opening.cell, opening.plan)

    def take_up(self, repeat: RepeatAsked | None = None) -> Outcome:
        """Go on with a run that was killed, interrupted or failed.

        `repeat` names a check that is measured again with all that follows it; with it a finished
        run may be taken up too. Raises WrongInput when the run is finished, when it has no such
        check, or when the script differs.
        """
        journal = Journal(self.folder.journal, new=False)
        with contextlib.closing(journal):
            first = _first(journal)
            past = past_of(journal.lines)
            _refuse_finished(journal, repeat)
            _refuse_unknown(past, repeat)
            frozen = first["sheets"]
            script = find_sequence(first["run"]["script"])
            cell = check(self.folder.journal, frozen, script.subject)
            plan = check(self.folder.journal, first["plan"], script.plan)
            late = self._overdue(script, plan, read_bench_file(self.folder.bench_file))
            if late and not first["run"]["indication_only"]:
                raise BenchFailure(
                    f"calibration overdue since this run began: {', '.join(late)}; its results"
                    " are kept, begin a new one when it is calibrated"
                )
            past.attempt += 1
            self._catch_up(journal)
            past.expire(self._time.now_ns(), repeat)
            journal.watch(self._onlooker)
            journal.append(
                "resumed",
                self._last_t(journal),
                attempt=past.attempt,
                guardian=_guardian_notes(self.folder),
                **_wanted(past, repeat),
            )
            return self._conduct(journal, past, script, cell, plan)

    # --- inside

    def _looked_at_due_dates(self, opening: Opening) -> Opening:
        """Return the opening, marked where an instrument of the sequence is overdue."""
        now = _utc(self._time)
        roles = (*opening.sequence.roles, *opening.sequence.optional)
        late = self._overdue(opening.sequence, opening.plan, opening.bench)
        if late and not opening.indication_only:
            raise BenchFailure(
                f"calibration overdue: {', '.join(late)}; have it calibrated, or run with"
                " --indication-only"
            )
        wanted = opening.plan.check_of_the_day
        checked = check_of_the_day(wanted, self._records, opening.bench.name, now)
        stale = checked is not None and bool(checked.missing)
        if checked is not None and stale and not opening.indication_only:
            raise BenchFailure(
                f"no check of the day: {checked.missing}; run check-standard first, or run with"
                " --indication-only"
            )
        wanting = lacking(opening.bench, roles, self.folder.path)
        return replace(
            opening, indication_only=bool(late or stale), checked=checked, lacking=wanting
        )

    def _overdue(self, script: Sequence, plan: Plan, bench: BenchFile) -> list[str]:
        """Return what this sequence uses and may not be used any more, with its due date."""
        loads = JACK in script.optional and bool(getattr(plan, "as_found", True))
        today = _utc(self._time).date()
        return overdue(bench, (*script.roles, *script.optional), today, loads=loads)

    def _conduct(
        self, journal: Journal, past: Past, script: Sequence, cell: Subject, plan: Plan
    ) -> Outcome:
        delivery = Delivery(self._records, journal)
        journal.watch(delivery.see)
        file = read_bench_file(self.folder.bench_file)
        day = datetime.fromisoformat(_first(journal)["run"]["opened_at"]).date()
        accuracies = {role: entry.accuracy_on(day) for role, entry in file.instruments.items()}
        corrections = {role: entry.correction for role, entry in file.instruments.items()}
        run = Run(
            journal=journal,
            past=past,
            cell=cell,
            plan=plan,
            uncertainties=Uncertainties(accuracies, corrections=corrections),
            accuracies=accuracies,
            technician=self._technician,
            open_bench=lambda hands: self._open_bench(script, hands),
            indication_only=bool(_first(journal)["run"]["indication_only"]),
            between=self._onlookers.between,
            rest=self._onlookers.rest,
            rest_excited=self._onlookers.rest_excited,
            pausing=lambda: self._onlookers.pausing,
            book=RecordedBenchBook(self._records, file.name),
            desk=self._desk,
            relays="scanner" in file.instruments and bool(file.connections.relay),
            loading=Loading.of(file),
            positions=file.connections.positions(),
            maximum_amperes=_maximum_amperes(file),
            by_hand=[role for role, entry in file.instruments.items() if entry.by_hand],
            roles=[r for r in (*script.roles, *script.optional) if r in file.instruments],
        )
        with stopping_once():
            state, code, message = self._play(run, script, past)
            message = self._switch_off(message)
            if message and code in (ExitCode.DONE, ExitCode.FAILED, ExitCode.UNDECIDED):
                state, code = "failed", ExitCode.BENCH
            if state == "finished":
                delivery.close_pieces()
            self._close(journal, run, state, code, message)
            delivery.close()
        return self._outcome(code, message, delivery.failed)

    def _play(self, run: Run[Any], script: Sequence, past: Past) -> tuple[str, ExitCode, str]:
        """Run the script; return (state, exit code, message)."""
        try:
            self._play_and_repeat(run, script, past)
        except (Stopped, KeyboardInterrupt) as stop:
            return "interrupted", ExitCode.STOPPED, str(stop) or "stopped"
        except (BenchFailure, InstrumentError) as error:
            return "failed", ExitCode.BENCH, _told(error)
        except (WrongInput, FileError) as error:
            return "failed", ExitCode.WRONG_INPUT, _told(error)
        except Exception as error:
            self._fall(error)
            raise
        return "finished", exit_code_of(run.conformities), ""

    def _play_and_repeat(self, run: Run[Any], script: Sequence, past: Past) -> None:
        """Run the script, and again from the journal whenever a person wants a check repeated."""
        while True:
            try:
                script.script(run)
                refuse_leftovers(past)
            except RepeatAsked as asked:
                past = self._again(run, past, asked)
            except PauseAsked:
                past = self._again(run, past, None)
            else:
                return

    def _again(self, run: Run[Any], past: Past, asked: RepeatAsked | None) -> Past:
        """Return the past of the same run with the check, and what follows it, to be measured.

        Without a check: only with what was not finished.
        """
        attempt, now = past.attempt + 1, self._last_t(run.journal)
        again = past_of(run.journal.lines)
        if asked is not None and (reason := again.cannot_repeat(asked.check)):
            self._onlookers.say(reason)
        again.attempt = attempt
        again.expire(now, asked)
        wanted = _wanted(again, asked)
        run.journal.append("resumed", now, attempt=attempt, guardian=[], **wanted)
        run.begin_again(again)
        return again

    def _fall(self, error: Exception) -> None:
        """Our own bug: switch off before it goes its way to the report."""
        error.add_note(f"journal: {self.folder.journal}")
        with contextlib.suppress(BenchFailure, InstrumentError):
            self._switch_off("")

    def _open_bench(self, script: Sequence, hands: Hands) -> Bench:
        file = read_bench_file(self.folder.bench_file)
        wanted = (*script.roles, *script.optional)
        roles = [role for role in wanted if role in file.instruments]
        if "scanner" in file.instruments and "scanner" not in roles:
            roles.insert(0, "scanner")
        _refuse_missing(script, file)
        self._bench = Bench(file, self.folder.path, self._time, roles, hands)
        return self._bench

    def _switch_off(self, message: str) -> str:
        """Close the bench; return the message, with what could not be proven."""
        if self._bench is None:
            return message
        bench, self._bench = self._bench, None
        try:
            bench.close()
        except (BenchFailure, InstrumentError) as error:
            return f"{message}; {error}" if message else str(error)
        return message

    def _close(
        self, journal: Journal, run: Run[Any], state: str, code: ExitCode, message: str
    ) -> None:
        conformity = worst_conformity(run.conformities)
        journal.append(
            "closed",
            self._last_t(journal),
            state=state,
            exit_code=int(code),
            conformity=conformity.value if conformity else None,
            because=message,
        )

    def _outcome(self, code: ExitCode, message: str, undelivered: str) -> Outcome:
        if undelivered:
            code = worst([code, ExitCode.BENCH])
            late = f"not in the records yet ({undelivered}); the journal is kept"
            message = f"{message}; {late}" if message else late
        return Outcome(
            number=self.folder.number,
            code=code,
            message=message,
            folder=self.folder,
            recorded=not undelivered,
        )

    def _catch_up(self, journal: Journal) -> None:
        """A simulated bench that was started anew goes on from where the journal ends."""
        behind = int(journal.lines[-1].content["t"]) - self._time.now_ns()
        if behind > 0:
            self._time.wait(behind / 1e9)

    def _last_t(self, journal: Journal) -> int:
        last = int(journal.lines[-1].content["t"]) if journal.lines else 0
        return max(last, self._time.now_ns())


def _utc(time: Time) -> datetime:
    """The date and time of a bench: its scenario's when it is simulated."""
    return time.utc() if isinstance(time, SteppedTime) else datetime.now(UTC)


def _refuse_missing(script: Sequence, file: BenchFile) -> None:
    """Raises BenchFailure for a role that the sequence needs; what relays do, hands can."""
    missing = [role for role in script.roles if role not in {*file.instruments, "scanner"}]
    if missing:
        raise BenchFailure(
            f"bench {file.name!r} has no {', no '.join(missing)}, which {script.name} needs; one"
            f" without a link: [instruments.{missing[0]}] by_hand = true"
        )


def _maximum_amperes(file: BenchFile) -> float | None:
    supply = file.instruments.get("supply")
    return None if supply is None else supply.maximum_amperes


def bench_time(file: BenchFile, tell: Callable[[str], None]) -> Time:
    """Return the clock of a bench: its simulator's, or the wall's.

    First the guardian of a run that is gone is waited for, which `tell` hears: what it did belongs
    to the story of a run that is taken up, and on a simulated bench it leads the time until then.
    Raises BenchFailure when another run holds the bench.
    """
    await_guardian(file, tell)
    return SteppedTime(file.simulation.control) if file.simulation else WallTime()


def _first(journal: Journal) -> Any:
    if not journal.lines or journal.lines[0].what != "opened":
        raise WrongInput(f"{journal.path}: holds no opened run")
    return journal.lines[0].content


def _refuse_finished(journal: Journal, repeat: RepeatAsked | None) -> None:
    last = journal.lines[-1]
    if last.what != "closed" or last.content["state"] != "finished":
        return
    if repeat is None:
        number = _first(journal)["run"]["number"]
        raise WrongInput(
            f"{journal.path}: the run is finished; nothing is left to measure (what the records"
            f" lack of it: bridgebench records deliver {number})"
        )
    if is_lot(_first(journal)):
        raise WrongInput(
            f"{journal.path}: the lot is finished, its cells have their records; run acceptance on"
            " the cell in doubt"
        )


def _wanted(past: Past, repeat: RepeatAsked | None) -> dict[str, Any]:
    """What a journal keeps of a repeat, so that neither a kill nor the next order loses it."""
    if repeat is None or past.cannot_repeat(repeat.check):
        return {}
    return {"repeat": {repeat.check: repeat.because}}


def _refuse_unknown(past: Past, repeat: RepeatAsked | None) -> None:
    if repeat is not None and (reason := past.cannot_repeat(repeat.check)):
        raise WrongInput(reason)


def _guardian_notes(folder: RunFolder) -> list[Any]:
    """What the guardian did since, without its reasons: they name ports."""
    if not folder.guardian_notes.exists():
        return []
    lines = folder.guardian_notes.read_text(encoding="utf-8").splitlines()
    return [[each[:2] for each in json.loads(line)["outcomes"]] for line in lines]


def _told(error: Exception) -> str:
    return "; ".join([str(error), *getattr(error, "__notes__", [])])


def copy_bench_file(text: str, folder: RunFolder) -> Path:
    """Keep the bench as it was opened in the run's folder."""
    folder.bench_file.write_text(text, encoding="utf-8")
    return folder.bench_file

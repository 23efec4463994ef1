"""What `bridgebench run` and `resume` do: papers, bench, records and hands around one run."""

from __future__ import annotations

import contextlib
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import click

from acq.bench.bench_file import BenchFile, bench_file_from_text, read_bench_file
from acq.bench.simulated import start_simulated_bench
from acq.bench.stepped_time import SimulatedBenchGone, SteppedTime
from acq.cells.cell import Cell
from acq.cells.chain_subject import ChainPapers
from acq.cells.chain_visit import chain_papers, visit_of
from acq.cells.folder import find_cell, find_workshop
from acq.cells.lot_subject import LotPapers, lot_papers
from acq.desk.exit_codes import ExitCode
from acq.desk.outcome import report
from acq.desk.person import login_name
from acq.desk.progress import Onlooker, PlainLines
from acq.desk.writing import refuse_unwritable
from acq.errors import RepeatAsked, WrongInput
from acq.records.records import Records
from acq.runs.conduct import Conductor, bench_time, copy_bench_file
from acq.runs.control_socket import ControlSocket, Onlookers
from acq.runs.folders import RunFolder, find_run_folder, forget_refused, new_run_folder
from acq.runs.journal import read_journal, refuse_while_written
from acq.runs.opening import Opening
from acq.runs.own_dialects import check_dialects, keep_dialects
from acq.runs.sequence import Sequence, find_sequence
from acq.runs.technicians import TerminalTechnician, who_answers
from drivers.time import Time


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What a person asks of `bridgebench run`; the names are its options'."""

    sequence: str
    serial: str
    chain_file: Path | None
    lot_name: str
    typed: bool
    plan: str
    bench_path: Path | None
    simulated: bool
    scenario: str
    seed: int | None
    pace: float | None
    records_url: str | None
    performer: str
    as_found: bool
    work_done: str
    indication_only: bool
    prompts: bool
    as_json: bool
    junit: Path | None


def begin(order: Order) -> ExitCode:
    """Open a new run and conduct it to its end. Raises WrongInput, FileError, BenchFailure."""
    script = find_sequence(order.sequence)
    chosen_plan = script.read_plan(order.plan or script.default_plan)
    cell = (
        _lot(script, order.lot_name, order.serial, order.chain_file)
        if script.subject is LotPapers or order.lot_name
        else _subject(script, order.serial, order.chain_file, typed=order.typed)
    )
    if order.as_found and order.work_done:
        raise WrongInput("a cell is as found or as left: give --as-found, or --as-left WORK")
    if order.junit is not None:
        refuse_unwritable(order.junit)
    if not (order.simulated or order.typed) and order.bench_path is None:
        raise WrongInput("which bench? give --bench FILE, or --simulated")
    with contextlib.ExitStack() as held:
        if order.simulated:  # before a bench is started for nothing
            held.enter_context(Records.open(order.records_url, simulated=True)).close()
        text, file = (
            _form()
            if order.typed
            else bench_text(
                order.bench_path, order.scenario or script.default_scenario, order.seed, order.pace
            )
        )
        beside = order.bench_path.parent if order.bench_path is not None else Path()
        records, time, folder = ground(
            held,
            text,
            file,
            beside,
            order.records_url,
            ours=order.simulated,
            scenario=order.scenario,
        )
        conductor = _conductor(
            held, folder, records, time, order.performer, order.prompts, order.as_json
        )
        opening = Opening(
            sequence=script,
            script=order.sequence,
            plan=chosen_plan,
            cell=cell,
            bench=file,
            seed=seed_of(time),
            performer=order.performer or login(order.simulated),
            indication_only=order.indication_only,
            stage="as found" if order.as_found else "as left" if order.work_done else "",
            work_done=order.work_done,
            workshop=find_workshop().model_dump(mode="json"),
        )
        return report(
            conductor.open_new(opening), records, as_json=order.as_json, junit=order.junit
        )


def _subject(
    script: Sequence, serial: str, chain_file: Path | None, *, typed: bool
) -> Cell | ChainPapers:
    """Return what the sequence is run on. Raises WrongInput where the other kind was named."""
    if script.subject is ChainPapers:
        if chain_file is None:
            raise WrongInput(f"{script.name}: which chain? give --chain FILE")
        papers = chain_papers(chain_file)
        if typed != visit_of(papers).file.typed_in_later:
            raise WrongInput(
                f"{chain_file}: typed_in_later: is true for a visit by hand, which is judged with"
                " --typed; false for a visit with instruments"
            )
        if typed and (missing := visit_of(papers).file.not_restored()):
            raise WrongInput(
                f"{chain_file}: restored.{missing[0]}: not ticked on the form; the visit is not"
                " closed before it is: write who and when"
            )
        return papers
    if typed or chain_file is not None or not serial:
        raise WrongInput(f"{script.name}: which cell? give --cell SERIAL")
    return find_cell(serial)


def _lot(script: Sequence, name: str, serial: str, chain_file: Path | None) -> LotPapers:
    """Return the lot that was named. Raises WrongInput for what is not for a lot."""
    if script.subject is not LotPapers:
        raise WrongInput(f"{script.name}: tests no lot; --lot goes with the sequence lot")
    if serial or chain_file is not None:
        raise WrongInput(f"{script.name}: its cells stand in the lot's file; give --lot FILE alone")
    if not name:
        raise WrongInput(f"{script.name}: which lot? give --lot FILE (or a shipped one: EX26)")
    return lot_papers(name)


def _form() -> tuple[str, BenchFile]:
    """Return the bench of a visit by hand: none, only a form that was typed in."""
    text = 'name = "no bench: a form, typed in"\n\n[instruments]\n'
    return text, bench_file_from_text(text, "the form")


def take_up(
    number: str,
    repeat: tuple[str, str] | None,
    *,
    records_url: str | None,
    prompts: bool,
    as_json: bool,
    junit: Path | None,
) -> ExitCode:
    """Go on with a run where it was cut off; `repeat` is a check and the reason to repeat it."""
    if junit is not None:
        refuse_unwritable(junit)
    folder = find_run_folder(number)
    if not folder.journal.exists():
        raise WrongInput(f"{folder.path}: the run was refused before it began; begin it anew")
    refuse_while_written(folder.journal)  # before its bench is touched
    lines, _ = read_journal(folder.journal)
    if not lines:
        raise WrongInput(f"{folder.journal}: holds no opened run")
    opened = lines[0].content["run"]
    with contextlib.ExitStack() as held:
        records = held.enter_context(Records.open(records_url, simulated=opened["simulated"]))
        file = _same_bench(folder, opened["scenario"], opened["seed"])
        time = held.enter_context(leading(file, ours=True))
        conductor = _conductor(held, folder, records, time, opened["performer"], prompts, as_json)
        asked = RepeatAsked(repeat[0], login(False), repeat[1]) if repeat else None
        return report(conductor.take_up(asked), records, as_json=as_json, junit=junit)


def bench_text(
    path: Path | None, scenario: str, seed: int | None, pace: float | None
) -> tuple[str, BenchFile]:
    """Return the bench file's text and content: a person's, or the simulated bench's own."""
    if path is not None:
        file = read_bench_file(path)
        return path.read_text(encoding="utf-8"), file
    started = start_simulated_bench(scenario, seed, pace)
    return started.bench_text, bench_file_from_text(started.bench_text, "simulated bench")


def _same_bench(folder: RunFolder, scenario: str | None, seed: int | None) -> BenchFile:
    """Return the bench of a run; a simulated bench that is gone is started anew."""
    file = read_bench_file(folder.bench_file)
    if file.simulation is None:
        return file
    try:
        SteppedTime(file.simulation.control).close()
    except SimulatedBenchGone:
        if folder.scenario_file.exists():
            scenario = str(folder.scenario_file)
        text, file = bench_text(None, scenario or "healthy", seed, None)
        copy_bench_file(text, folder)
    return file


@contextlib.contextmanager
def leading(file: BenchFile, *, ours: bool) -> Iterator[Time]:
    """Lead the bench's time; a simulated bench of ours ends with the run it was started for."""
    time = bench_time(file, lambda text: click.echo(text, err=True))
    try:
        yield time
    finally:
        if isinstance(time, SteppedTime):
            time.end() if ours else time.close()


def ground(
    held: contextlib.ExitStack,
    text: str,
    file: BenchFile,
    beside: Path,
    records_url: str | None,
    *,
    ours: bool,
    scenario: str,
) -> tuple[Records, Time, RunFolder]:
    """Return open records, the bench's time and a new run's folder that keeps its bench.

    `text` is the bench file's, `beside` where its own dialects are.
    """
    check_dialects(file, beside)
    simulated = file.simulation is not None
    records = held.enter_context(Records.open(records_url, simulated=simulated))
    time = held.enter_context(leading(file, ours=ours))
    folder = new_folder(file, records, seed_of(time))
    held.callback(forget_refused, folder)
    copy_bench_file(text, folder)
    if scenario and Path(scenario).is_file():
        shutil.copyfile(scenario, folder.scenario_file)  # to take the run up on the same bench
    keep_dialects(file, beside, folder)
    return records, time, folder


def seed_of(time: Time) -> int | None:
    """The seed of a simulated bench; None on a real one."""
    return int(time.bench["seed"]) if isinstance(time, SteppedTime) else None


def new_folder(file: BenchFile, records: Records, seed: int | None) -> RunFolder:
    if file.simulation is not None:
        name = Path(file.simulation.scenario).stem
        return new_run_folder(f"SIM-{name}-{seed}", simulated=True)
    number = records.next_number("run", datetime.now(UTC).year)
    return new_run_folder(number, simulated=False)


def _conductor(
    held: contextlib.ExitStack,
    folder: RunFolder,
    records: Records,
    time: Time,
    performer: str,
    prompts: bool,
    as_json: bool,
) -> Conductor:
    """Put around a run what it needs: who answers, who looks on, who may tell it something."""
    by_itself = isinstance(time, SteppedTime) and not prompts
    person = performer or login(False)
    onlooker = _onlooker(as_json, by_itself=by_itself, person=person)
    held.callback(onlooker.close)
    control = held.enter_context(contextlib.closing(ControlSocket(folder.control_socket)))
    technician = who_answers(
        time,
        TerminalTechnician(onlooker.show_prompt, person, control),
        prompts=prompts,
    )
    from acq.desk.live_desk import PlainDesk

    onlookers = Onlookers(control, lambda text: click.echo(text, err=True))
    return Conductor(
        folder=folder,
        records=records,
        time=time,
        technician=technician,
        onlooker=onlooker.see,
        onlookers=onlookers,
        desk=PlainDesk(onlookers.heard, say=lambda line: click.echo(line, err=as_json)),
    )


def _onlooker(as_json: bool, *, by_itself: bool, person: str) -> Onlooker:
    at_terminal = "" if by_itself or not sys.stdin.isatty() else person
    if sys.stdout.isatty() and not as_json:
        from acq.desk.live_view import LiveView

        return LiveView(prompts=by_itself, person=at_terminal)
    return PlainLines(err=as_json, prompts=by_itself, person=at_terminal)


def login(simulated: bool) -> str:
    return "simulated technician" if simulated else login_name()

"""A run that goes on reading, `live` or `log`: opened as any other, watched by its own desk."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from acq.bench.stepped_time import SteppedTime
from acq.cells.folder import find_cell, find_workshop
from acq.desk.exit_codes import ExitCode
from acq.desk.live_desk import PlainDesk, ScreenDesk
from acq.desk.log_drift import LOG_FILE
from acq.desk.log_export import export
from acq.desk.outcome import say_the_end
from acq.desk.progress import PlainLines
from acq.desk.running import bench_text, ground, login, seed_of
from acq.errors import WrongInput
from acq.records.records import Records
from acq.runs.conduct import Conductor, Outcome
from acq.runs.control_socket import ControlSocket, Onlookers
from acq.runs.journal import Line
from acq.runs.opening import Opening
from acq.runs.prompts import Prompt
from acq.runs.sequence import Plan, find_sequence
from acq.runs.technicians import TerminalTechnician, who_answers

Desk = PlainDesk | ScreenDesk


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a person asked for on the command line."""

    sequence: str
    serial: str
    plan: str
    bench: Path | None
    simulated: bool
    scenario: str
    seed: int | None
    pace: float | None
    records: str | None
    performer: str
    prompts: bool
    indication_only: bool
    as_json: bool
    every_s: float
    screen: bool


class Watching:
    """Prints the journal's lines until the page is on the screen, and after it."""

    def __init__(self, desk: Desk, *, err: bool, prompts: bool) -> None:
        self._desk = desk
        self._plain = PlainLines(err=err, prompts=prompts)

    def see(self, line: Line) -> None:
        """Show a line of the journal where it disturbs nothing."""
        quiet = isinstance(self._desk, ScreenDesk) and self._desk.on_screen
        if not quiet:
            self._plain.see(line)

    def show_prompt(self, prompt: Prompt) -> None:
        """Give the terminal back for a question."""
        self._desk.close()
        self._plain.show_prompt(prompt)


def conduct(wanted: Wanted, changed: Callable[[Plan], Plan], table: Path | None = None) -> ExitCode:
    """Run the sequence on a bench until it ends, and say what it has logged.

    `changed` puts the command's options into the plan; `table` is written at the end. Raises
    WrongInput, BenchFailure.
    """
    script = find_sequence(wanted.sequence)
    plan = changed(script.read_plan(wanted.plan or script.default_plan))
    cell = find_cell(wanted.serial)
    if not wanted.simulated and wanted.bench is None:
        raise WrongInput("which bench? give --bench FILE, or --simulated")
    with contextlib.ExitStack() as held:
        if wanted.simulated:  # before a bench is started for nothing
            held.enter_context(Records.open(wanted.records, simulated=True)).close()
        text, file = bench_text(wanted.bench, wanted.scenario, wanted.seed, wanted.pace)
        beside = wanted.bench.parent if wanted.bench is not None else Path()
        records, time, folder = ground(
            held,
            text,
            file,
            beside,
            wanted.records,
            ours=wanted.simulated,
            scenario=wanted.scenario,
        )
        control = held.enter_context(contextlib.closing(ControlSocket(folder.control_socket)))
        onlookers = Onlookers(control, lambda said: click.echo(said, err=True))
        performer = wanted.performer or login(wanted.simulated)
        desk = _desk(wanted, onlookers, performer)
        held.callback(desk.close)
        by_itself = isinstance(time, SteppedTime) and not wanted.prompts
        watching = Watching(desk, err=wanted.as_json, prompts=by_itself)
        person = TerminalTechnician(watching.show_prompt, performer, control)
        technician = who_answers(time, person, prompts=wanted.prompts)
        conductor = Conductor(
            folder=folder,
            records=records,
            time=time,
            technician=technician,
            onlooker=watching.see,
            onlookers=onlookers,
            desk=desk,
        )
        opening = Opening(
            sequence=script,
            script=wanted.sequence,
            plan=plan,
            cell=cell,
            bench=file,
            seed=seed_of(time),
            performer=performer,
            indication_only=wanted.indication_only,
            workshop=find_workshop().model_dump(mode="json"),
        )
        outcome = conductor.open_new(opening)
        desk.close()
        code = _report(outcome, as_json=wanted.as_json)
        if table is not None and (path := outcome.folder.path / LOG_FILE).exists():
            click.echo(f"{export(path, table)} rows: {table}", err=wanted.as_json)
        return code


def _desk(wanted: Wanted, onlookers: Onlookers, performer: str) -> Desk:
    on_terminal = sys.stdout.isatty() and sys.stdin.isatty() and not wanted.as_json
    if wanted.screen and on_terminal:
        return ScreenDesk(onlookers.heard, performer)

    def say(line: str) -> None:
        click.echo(line, err=wanted.as_json)

    return PlainDesk(onlookers.heard, wanted.every_s, say=say)


def _report(outcome: Outcome, *, as_json: bool) -> ExitCode:
    """Say how it ended and what the log holds."""
    told: dict[str, Any] = {
        "run": outcome.number,
        "exit_code": int(outcome.code),
        "message": outcome.message,
        "journal_file": str(outcome.folder.journal),
        "log": _logged(outcome),
    }
    if as_json:
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
        return outcome.code
    log = told["log"]
    if log is not None:
        click.echo(f"\n{outcome.number}: {log['rows']} readings, {log['gaps']} gaps: {log['file']}")
        click.echo(f"as a table:  bridgebench readings {outcome.number} -o readings.csv")
        click.echo(f"why it moves: bridgebench analyse drift {outcome.number}")
    say_the_end(outcome)
    return outcome.code


def _logged(outcome: Outcome) -> dict[str, Any] | None:
    """Read the log once more, from the disk: what is told is what is there."""
    import hashlib

    from acq.runs.logged import blocks
    from acq.runs.reading_log import Kind

    path = outcome.folder.path / LOG_FILE
    if not path.exists():
        return None
    digest, rows, gaps = hashlib.sha256(), 0, 0
    for block in blocks(path, digest):
        rows = block.first + block.rows
        gaps += block.kind is Kind.GAP
    return {"file": str(path), "rows": rows, "gaps": gaps, "sha256": digest.hexdigest()}

"""What a person sees while a run goes on: plain lines, or a calm live view on a terminal.

Both are fed by the journal's lines, as any other onlooker could be.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Protocol

import click

from acq.desk.finding_text import diagnosis_lines, finding_line
from acq.runs.journal import Line
from acq.runs.prompts import Prompt

SIMULATED = "SIMULATED: no real instrument and no real cell"


class Onlooker(Protocol):
    """Sees every line once it is on the disk, and prompts before they are answered."""

    def see(self, line: Line) -> None: ...
    def show_prompt(self, prompt: Prompt) -> None: ...
    def close(self) -> None: ...


class PlainLines:
    """One line for each thing worth telling; for pipes, logs and small terminals."""

    def __init__(self, *, err: bool = False, prompts: bool = True, person: str = "") -> None:
        """`err`: tell it on standard error. `prompts`: tell what is asked (a person who answers
        at this terminal is shown it anyway). `person` is that one, whose answers stand there.
        """
        self._person = person
        self._err = err
        self._prompts = prompts
        self._start: datetime | None = None
        self._waited_for = ""

    def see(self, line: Line) -> None:
        for text in self.texts(line):
            self._say(text)

    def _say(self, text: str) -> None:
        """A reader who went away (`| head`) must not stop a run: it goes on unseen."""
        try:
            click.echo(text, err=self._err)
        except BrokenPipeError:
            into_the_void(2 if self._err else 1)

    def show_prompt(self, prompt: Prompt) -> None:
        if prompt.caution:
            self._say(f"  CAUTION  {prompt.caution}")
        choices = f" [{' / '.join(prompt.choices)}]" if prompt.choices else ""
        self._say(f"  >> {prompt.text}{choices}")

    def close(self) -> None:
        """Nothing is held."""

    def texts(self, line: Line) -> list[str]:
        """Return what a line of the journal is worth telling."""
        content = line.content
        match line.what:
            case "opened":
                return self._opening(content)
            case "resumed":
                return [f"taken up again (attempt {content['attempt']})"]
            case "effect" if content["kind"] == "note":
                return [f"            NOTE  {content['got']['text']}"]
            case "check-opened":
                self._waited_for = ""
                return [f"{self._clock(content)}  {content['check']}"]
            case "waiting" if content["seconds"] >= 1.0:
                return self._waiting(content)
            case "effect" if content["kind"] == "finding":
                return [f"            {finding_line(content['got'])}"]
            case "effect" if content["kind"] == "diagnosis":
                return [f"            {line}" for line in diagnosis_lines(content["got"])]
            case "state":
                return [f"            {content['state']}: {content['to']}"]
            case "answer" if content["by"] == self._person:
                return []
            case "answer":
                return [f"            answered {content['answer']!r} by {content['by']}"]
            case "measured-again":
                return [f"            {content['check']} is measured again: {content['because']}"]
            case "prompt" if self._prompts:
                prompt = content["prompt"]
                caution = [f"  CAUTION   {prompt['caution']}"] if prompt["caution"] else []
                return [*caution, f"  asked     {prompt['text']}"]
        return []

    def _waiting(self, content: Mapping[str, Any]) -> list[str]:
        """A log waits hundreds of times for one reason: told once."""
        if content["because"] == self._waited_for:
            return []
        self._waited_for = content["because"]
        return [f"            wait {_rounded(content['seconds'])} s: {content['because']}"]

    def _opening(self, content: Mapping[str, Any]) -> list[str]:
        run, cell = content["run"], content["cell"]
        self._start = datetime.fromisoformat(run["opened_at"]) - timedelta(
            microseconds=content["t"] // 1000
        )
        lines = [SIMULATED] if run["simulated"] else []
        about = f"{run['sequence']} of {_kind(cell)} {cell['serial']}"
        if str(cell.get("type", "")).startswith("lot of "):
            about = f"lot {cell['serial']}, {cell['type'].removeprefix('lot of ')} in fixtures"
        lines.append(f"run {run['number']}: {about}, plan {content['plan']['name']}")
        return [*lines, *(f"NOTE  {text}" for text in content.get("lacking", ()))]

    def _clock(self, content: Mapping[str, Any]) -> str:
        if self._start is None:
            return "          "
        return f"{self._start + timedelta(microseconds=content['t'] // 1000):%H:%M:%S}  "


def into_the_void(descriptor: int) -> None:
    void = os.open(os.devnull, os.O_WRONLY)
    os.dup2(void, descriptor)
    os.close(void)


def _kind(subject: Mapping[str, Any]) -> str:
    return "chain" if subject.get("type") == "weighing chain" else "cell"


def _rounded(seconds: float) -> str:
    """Return seconds as a person waits them: whole ones, tenths where it is short."""
    return f"{seconds:.0f}" if seconds >= 10.0 else f"{round(seconds, 1) or seconds:g}"

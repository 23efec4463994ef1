"""The run on a terminal: findings stay above, one calm line below says what goes on and why."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Any

from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.status import Status
from rich.table import Table
from rich.text import Text

from acq.desk.finding_text import MARKS, deciding_limit, limit_text, style_of, value_text
from acq.desk.progress import PlainLines
from acq.runs.journal import Line
from acq.runs.prompts import Prompt


class Countdown:
    """A line whose seconds run down by themselves while it is shown."""

    def __init__(
        self, text: str, seconds: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._text, self._clock = text, clock
        self._until = clock() + seconds

    def __rich__(self) -> Text:
        left = max(0.0, self._until - self._clock())
        return Text(f"{self._text}: {left:.0f} s")


_COLUMNS = (37, 33)  # name and value, where the terminal is wide enough for both and the word
_WIDE = 96


class LiveView:
    """Shows the journal's lines with rich. Colour only helps; the words say everything."""

    def __init__(self, *, prompts: bool, console: Console | None = None, person: str = "") -> None:
        """`person` answers at this terminal: is not told what was just typed."""
        self._console = console or Console(highlight=False)
        self._plain = PlainLines(prompts=prompts, person=person)
        self._headed = ""
        self._status: Status | None = None
        self._check = ""

    def see(self, line: Line) -> None:
        content = line.content
        match line.what:
            case "check-opened":
                self._check = content["check"]
                self._say(f"{self._check} ...")
            case "waiting" if content["seconds"] >= 1.0:
                because, name = content["because"], self._check.partition(",")[0]
                text = because if because.startswith(name) else f"{self._check}: {because}"
                self._say(Countdown(text, content["seconds"]))
            case "effect" if content["kind"] == "finding":
                self._finding(content["got"])
            case "closed":
                self.close()
            case _:
                for text in self._plain.texts(line):
                    shown = text.lstrip(" ")
                    self._above(Padding(Text(shown), (0, 0, 0, len(text) - len(shown))))

    def show_prompt(self, prompt: Prompt) -> None:
        self.close()
        if self._check != self._headed:  # the line below is gone while a person is asked
            self._headed = self._check
            self._console.print(Text(self._check, style="underline"))
        if prompt.caution:
            self._console.print(Text(f"  CAUTION  {prompt.caution}", style="bold reverse"))
        choices = f" [{' / '.join(prompt.choices)}]" if prompt.choices else ""
        self._console.print(Text(f"  >> {prompt.text}{choices}", style="bold"))

    def close(self) -> None:
        if self._status is not None:
            self._status.stop()
            self._status = None

    def _say(self, text: str | Countdown) -> None:
        shown = Text(text) if isinstance(text, str) else text
        if self._status is None:
            self._status = self._console.status(shown, spinner="line")
            self._status.start()
        self._status.update(shown)

    def _finding(self, finding: Mapping[str, Any]) -> None:
        word = finding["conformity"] or "told"
        name, value = _COLUMNS if self._console.width >= _WIDE else (0, 0)
        mark = Text(f"{MARKS.get(word, ''):>5}", style=style_of(word))
        text = Text(f"{finding['name']:<{name}}  ")
        text.append(f"{value_text(finding):<{value}}  ", style="bold")
        text.append(word, style=style_of(word))
        row = Table.grid(padding=(0, 1, 0, 0))
        row.add_row(mark, text)  # what does not fit goes on below the name
        self._above(row)
        self._above(Padding(Text(_grounds(finding), style="dim"), (0, 0, 0, 6)))

    def _above(self, shown: RenderableType) -> None:
        self._console.print(shown)


def _grounds(finding: Mapping[str, Any]) -> str:
    """Return what a word rests on: the limit and its source, or the reason."""
    limit = deciding_limit(finding)
    parts = [f"limits {limit_text(limit)}"] if limit else []
    if finding["conformity"] in ("undecided", "withheld", "fail", "conditional fail"):
        parts.append(finding["because"])
    if finding["indication_only"]:
        parts.append("indication only")
    return "; ".join([*parts, *finding["marks"]]) or finding["because"]

"""The desks of a run that goes on reading: a full-screen terminal with keys, or plain lines.

Both also take what other terminals say by `bridgebench answer RUN 'tare'`.
"""

from __future__ import annotations

import os
import select
import sys
import termios
import tty
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

import click
from rich.console import Console
from rich.live import Live

from acq.desk.weighing_view import page, plain_line
from acq.runs.control_socket import Told

FILTERS = ("none", "mean 8", "median 5 mean 8", "median 5 mean 32", "lag 2 s")
ASKED = {"z": "zero because ", "c": "calibrate ", "m": "mark ", "l": "load "}
KEYS = {"t": "tare", "T": "tare off", "Z": "zero off", "r": "reset", "q": "quit"}
ESCAPE, RETURN, BACKSPACE = "\x1b", "\r\n", "\x7f\b"


class PlainDesk:
    """One line each `every_s` of bench time; orders only from elsewhere."""

    def __init__(
        self,
        heard: deque[Told],
        every_s: float = 1.0,
        *,
        say: Callable[[str], None] = click.echo,
    ) -> None:
        self._heard, self._every_ns, self._say = heard, round(every_s * 1e9), say
        self._shown_ns: int | None = None
        self._said = (0, "")

    def show(self, picture: Mapping[str, Any]) -> None:
        """Print a line when it is due, or when something was said."""
        at_ns = int(picture.get("at_ns", 0))
        said = (picture.get("orders", 0), str(picture.get("said", "")))
        due = self._shown_ns is None or at_ns - self._shown_ns >= self._every_ns or not at_ns
        if not due and said == self._said:
            return
        self._shown_ns = at_ns
        line = plain_line({**picture, "said": said[1] if said != self._said else ""})
        self._said = said
        try:
            self._say(line)
        except BrokenPipeError:
            from acq.desk.progress import into_the_void

            into_the_void(1)

    def order(self) -> Told | None:
        """Return the oldest order."""
        return self._heard.popleft() if self._heard else None

    def close(self) -> None:
        """Nothing is held."""


class ScreenDesk:
    """A page on the whole terminal, and its keys. The terminal is given back by `close`."""

    def __init__(
        self, heard: deque[Told], person: str, console: Console | None = None, keyboard: int = -1
    ) -> None:
        self._heard, self._person = heard, person
        self._console = console or Console(highlight=False)
        self._keyboard = sys.stdin.fileno() if keyboard < 0 else keyboard
        self._live: Live | None = None
        self._before: list[Any] | None = None
        self._typed: str | None = None
        self._picture: Mapping[str, Any] | None = None

    @property
    def on_screen(self) -> bool:
        """Whether the page stands on the terminal."""
        return self._live is not None

    def show(self, picture: Mapping[str, Any]) -> None:
        """Draw the page."""
        self._open()
        self._picture = picture
        self._draw()

    def order(self) -> Told | None:
        """Return the oldest order of these keys, or from elsewhere."""
        if self._live is not None:
            self._read_keys()
        return self._heard.popleft() if self._heard else None

    def close(self) -> None:
        """Give the terminal back."""
        if self._live is not None:
            self._live.stop()
            self._live = None
        if self._before is not None:
            termios.tcsetattr(self._keyboard, termios.TCSADRAIN, self._before)
            self._before = None

    def _open(self) -> None:
        if self._live is not None:
            return
        if os.isatty(self._keyboard):
            self._before = termios.tcgetattr(self._keyboard)
            tty.setcbreak(self._keyboard)
        self._live = Live(console=self._console, screen=True, auto_refresh=False)
        self._live.start()

    def _draw(self) -> None:
        if self._live is not None and self._picture is not None:
            self._live.update(page(self._picture, self._console.width, self._typed), refresh=True)

    def _read_keys(self) -> None:
        drawn = self._typed
        while select.select([self._keyboard], [], [], 0.0)[0]:
            data = os.read(self._keyboard, 64).decode(errors="ignore")
            if not data:
                self._heard.append(Told("answer", self._person, "quit"))
                break
            for key in data:
                self._key(key)
        if self._typed != drawn:
            self._draw()

    def _key(self, key: str) -> None:
        if self._typed is None:
            self._pressed(key)
        elif key == ESCAPE:
            self._typed = None
        elif key in RETURN:
            self._say(self._typed)
            self._typed = None
        elif key in BACKSPACE:
            self._typed = self._typed[:-1]
        elif key.isprintable():
            self._typed += key

    def _pressed(self, key: str) -> None:
        if key in KEYS:
            self._say(KEYS[key])
        elif key in ASKED:
            self._typed = ASKED[key]
        elif key in "fu" and self._picture is not None:
            name = "filter" if key == "f" else "unit"
            choices = FILTERS if key == "f" else tuple(self._picture["units"])
            now = str(self._picture[name])
            place = choices.index(now) + 1 if now in choices else 0
            self._say(f"{name} {choices[place % len(choices)]}")

    def _say(self, text: str) -> None:
        self._heard.append(Told("answer", self._person, text))

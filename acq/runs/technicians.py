"""Those who answer prompts: a person at the terminal, or the simulated bench's automatic hands."""

from __future__ import annotations

import math
import os
import select
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from acq.bench.connections import Join
from acq.bench.stepped_time import SimulatedBenchGone, SteppedTime
from acq.errors import BenchFailure, Stopped
from acq.runs.control_socket import ControlSocket
from acq.runs.prompts import Answer, Prompt, Technician, chosen, not_a_choice
from drivers.time import Time

_EYE_S = 1.0  # bench time that it takes to read a display; common practice
_LOOK_S = 0.1  # wall time between two looks of the meter at clips that a person moves
_FIXTURE_S = 15.0  # bench time for laying one cell into a fixture with its plug; no source
SHOWS = "The simulated display:"
_HAND_S = 4.0  # bench time that the automatic technician takes for one clip; common practice


class AutomaticTechnician:
    """Does at the simulated bench what the prompt asks, and answers with its first choice."""

    def __init__(self, time: SteppedTime) -> None:
        self._time = time
        self._watched: list[str] = []  # what a display showed while something was done

    def answer(self, prompt: Prompt) -> Answer:
        self.do(prompt)
        if prompt.display:
            return Answer(self.seen(prompt), "automatic technician")
        typed = prompt.by_itself or (prompt.choices[0] if prompt.choices else "")
        return Answer(typed, "automatic technician")

    def do(self, prompt: Prompt) -> None:
        """Do at the bench what is asked for, without a word."""
        for terminal in prompt.clear:
            self._time.hand("clip", terminal=terminal, lead=None)
        for join in prompt.clip_off:
            self._clip(join, off=True)
        for join in prompt.clip_on:
            self._clip(join)
        if prompt.operate:
            self._operate(prompt)
        for do, wires in (("lift", prompt.lift), ("restore", prompt.restore)):
            for wire in wires:
                self._time.hand(do, element=wire)
        for name, (one, other, ohms) in prompt.fit.items():
            self._time.hand("fit", element=name, between=[one, other], ohms=ohms)
        for name in prompt.take_off:
            self._time.hand("take-off", element=name)
        for position, serial in prompt.fixtures.items():
            self._time.hand("fixture", position=position, serial=serial or None)
            self._time.wait(_FIXTURE_S)
        if prompt.load:
            self._load(prompt.load)
        if prompt.bridge:
            on, joined = prompt.bridge["on"], prompt.bridge.get("joined")
            self._time.hand("leads", bridge=on, joined=joined)
        if prompt.link:
            self._time.hand("link", **prompt.link)
        if prompt.shunt:
            self._shunt(prompt.shunt)

    def tell(self, prompt: Prompt) -> None:
        """Do it; what comes of it is read from the bench."""
        if prompt.load:
            self._load(prompt.load)

    def _load(self, load: Mapping[str, float]) -> None:
        wanted = dict(load)
        corner = wanted.pop("corner", None)
        where = {} if corner is None else {"corner": round(corner)}
        self._time.wait(_HAND_S)
        self._time.hand("load", **wanted, **where)

    def _shunt(self, shunt: Mapping[str, Any]) -> None:
        """Hold a resistor between two leads for so many seconds."""
        until = self._time.now_ns() / 1e9 + float(shunt["seconds"])
        wanted = {"between": shunt["between"], "ohms": shunt["ohms"], "until": until}
        self._time.hand("fault", kind="leak", **wanted)

    def _clip(self, join: Join, **how: bool) -> None:
        where = {} if join.position == 1 else {"position": join.position}
        self._time.hand("clip", terminal=join.terminal, lead=join.lead.value, **where, **how)
        self._time.wait(_HAND_S)

    def _operate(self, prompt: Prompt) -> None:
        if prompt.settings:
            self._time.hand("set", wire=prompt.operate, **prompt.settings)
        if prompt.switch is not None:
            self._time.hand("switch", wire=prompt.operate, on=prompt.switch)
        self._time.wait(_HAND_S)

    def seen(self, prompt: Prompt) -> str:
        """Look at a display until it shows what is there now, or watch it and tell an extreme."""
        if not prompt.extreme:
            return self._look(prompt)
        if prompt.seconds:
            until = self._time.now_ns() + round(prompt.seconds * 1e9)
            self._watched = [self._look(prompt)]
            while self._time.now_ns() < until:
                self._watched.append(self._look(prompt))
        pick = min if prompt.extreme == "lowest" else max
        return pick(self._watched, key=_shown_number)

    def _look(self, prompt: Prompt) -> str:
        wanted = {"quantity": prompt.quantity} if prompt.quantity else {}
        try:
            seconds = float(self._time.hand("look", wire=prompt.display)["seconds"])
        except SimulatedBenchGone:
            raise
        except BenchFailure as error:
            raise BenchFailure(
                f"this simulated bench has no {prompt.display} to look at: choose a scenario"
                " that has one (--scenario)"
            ) from error
        self._time.wait(max(seconds, _EYE_S))
        return str(self._time.hand("type", wire=prompt.display, **wanted)["text"])


def _shown_number(text: str) -> float:
    """The number of a display; above all others where it shows a word instead."""
    try:
        return float(text.split()[0])
    except (ValueError, IndexError):
        return math.inf


class TerminalTechnician:
    """A person at this terminal, or at another one by the run's control socket.

    `show` prints the prompt, so that the desk decides its look. The first answer wins.
    """

    def __init__(
        self,
        show: Callable[[Prompt], None],
        person: str,
        control: ControlSocket,
        keyboard: int | None = None,
    ) -> None:
        self._show = show
        self._person = person
        self._control = control
        self._given = keyboard
        self._typed = b""

    def answer(self, prompt: Prompt) -> Answer:
        """Raises Stopped when the input ends or `stop` is typed."""
        self._show(prompt)
        while True:
            text, by = self._next(prompt.seen)
            if text == "stop":
                raise Stopped("stopped at a prompt")
            answer = text if not prompt.choices else chosen(text, prompt.choices)
            if answer is not None:
                return Answer(answer, by)
            said = not_a_choice(text, prompt.choices)
            self._show(replace(prompt, text=f"{said}. {prompt.text}"))

    def tell(self, prompt: Prompt) -> None:
        """Only show it: the bench sees by itself when it is done."""
        self._show(prompt)

    @property
    def _keyboard(self) -> int:
        """Standard input, looked for when somebody is asked: not every run has one."""
        return sys.stdin.fileno() if self._given is None else self._given

    def _next(self, seen: Callable[[], bool] | None = None) -> tuple[str, str]:
        """Return the next line typed here or told from elsewhere, and who gave it.

        What an instrument sees done needs no key: that is the first choice, given by the meter.
        """
        while True:
            told = self._control.next()
            if told is not None and told.order == "answer":
                return told.text.strip(), told.by
            if told is not None:
                told.raise_if_it_breaks()
            if b"\n" in self._typed:
                line, _, self._typed = self._typed.partition(b"\n")
                return line.decode(errors="replace").strip(), self._person
            patience = None if seen is None else _LOOK_S
            keyboard = self._keyboard
            heard: list[int | ControlSocket] = [keyboard, self._control]
            ready, _, _ = select.select(heard, [], [], patience)
            if not ready and seen is not None and seen():
                return "", "the meter: open, then steady"
            if keyboard in ready:
                self._read(keyboard)

    def _read(self, keyboard: int) -> None:
        data = os.read(keyboard, 4096)
        if not data:
            raise Stopped("the input ended at a prompt")
        self._typed += data


class Trainee:
    """A person who answers, at the simulated bench: what is said to be done is done there.

    Displays stand below the question as the simulated instruments show them; the person types.
    """

    def __init__(self, person: Technician, hands: AutomaticTechnician) -> None:
        self._person = person
        self._hands = hands

    def answer(self, prompt: Prompt) -> Answer:
        """Raises Stopped when the person wants to stop; then nothing was done."""
        if prompt.display:
            shown = self._hands.seen(prompt)
            return self._person.answer(replace(prompt, text=f"{prompt.text}\n     {SHOWS} {shown}"))
        answer = self._person.answer(replace(prompt, seen=None))
        if not prompt.choices or answer.text == prompt.choices[0]:
            self._hands.do(prompt)
        return answer

    def tell(self, prompt: Prompt) -> None:
        """Show it, and have it done."""
        self._person.tell(prompt)
        self._hands.tell(prompt)


def who_answers(time: Time, person: Technician, *, prompts: bool) -> Technician:
    """Return who answers at this bench: `person`, or on a simulated one its automatic hands.

    `prompts`: a person wants to answer there too.
    """
    if not isinstance(time, SteppedTime):
        return person
    hands = AutomaticTechnician(time)
    return Trainee(person, hands) if prompts else hands

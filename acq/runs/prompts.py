"""What a person is asked during a run, and who answers.

A prompt carries its caution, shown where the hand is about to act. The first answer wins and is
journalled with who gave it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from acq.bench.connections import Join, PlantTerminal
from acq.bench.hands import HandTask, Knob

PLANT_CAUTION = (
    "The chain is live: its excitation and its loop stay on. Inhibits first: a slip moves the"
    " weight value. Move only these clips, by their insulation, and bridge no two terminals."
)
CLIP_CAUTION = "Supply and test voltage are off. Hold clips by their insulation."


@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """One question. `choices` empty: free text; the first choice is what Return means."""

    text: str
    caution: str = ""
    choices: Sequence[str] = ("done",)
    clear: Sequence[str] = ()  # terminals whose clips all come off
    clip_off: Sequence[Join] = ()
    clip_on: Sequence[Join] = ()
    display: str = ""  # role whose display is to be typed in
    quantity: str = ""  # the one of its fields that is wanted
    extreme: str = ""  # lowest or highest of what it showed within `seconds`
    seconds: float = 0.0
    operate: str = ""  # role whose knobs or output are to be moved
    settings: Mapping[str, Knob] = field(default_factory=dict)
    switch: bool | None = None
    lift: Sequence[str] = ()  # wires to take off their terminals
    restore: Sequence[str] = ()  # wires to put back
    fit: Mapping[str, Sequence[Any]] = field(default_factory=dict)  # name: two terminals, ohms
    take_off: Sequence[str] = ()  # what was fitted
    by_itself: str = ""  # what the simulated bench's technician types where a person must
    load: Mapping[str, float] = field(default_factory=dict)  # kilograms or newtons, corner
    fixtures: Mapping[int, str] = field(default_factory=dict)  # serial by position; "": empty
    bridge: Mapping[str, int] = field(default_factory=dict)  # on: on the terminals; joined: another
    link: Mapping[str, Any] = field(default_factory=dict)  # between two leads, on or off, ohms
    shunt: Mapping[str, Any] = field(default_factory=dict)  # a resistor: between, ohms, seconds
    seen: Callable[[], bool] | None = None  # asked again and again: an instrument saw it done

    def as_json(self) -> dict[str, Any]:
        """What the journal keeps of the question."""
        more = {
            "clear": list(self.clear),
            "quantity": self.quantity,
            "extreme": self.extreme,
            "seconds": self.seconds or None,
            "operate": self.operate,
            "settings": dict(self.settings),
            "switch": self.switch,
            "load": dict(self.load),
            "lift": list(self.lift),
            "restore": list(self.restore),
            "fit": {name: list(what) for name, what in self.fit.items()},
            "take_off": list(self.take_off),
            "bridge": dict(self.bridge),
            "link": dict(self.link),
            "shunt": dict(self.shunt),
            "fixtures": {str(position): serial for position, serial in self.fixtures.items()},
        }
        return {
            **{key: value for key, value in more.items() if value not in ("", [], {}, None)},
            "text": self.text,
            "caution": self.caution,
            "choices": list(self.choices),
            "off": [_told(join) for join in self.clip_off],
            "on": [_told(join) for join in self.clip_on],
            "display": self.display,
        }


def _told(join: Join) -> list[str | int]:
    fixture = [] if join.position == 1 else [join.position]
    return [join.terminal, join.lead.value, *fixture]


_YES = frozenset({"y", "yes", "ok"})


def chosen(typed: str, choices: Sequence[str]) -> str | None:
    """Return the choice that was typed or begun; Return is the first; None when none fits.

    Where there is only one, such as `done`, any word for yes is that one.
    """
    said = typed.strip().lower()
    if not said or (len(choices) == 1 and said in _YES):
        return choices[0]
    if said in choices:
        return said
    fitting = [choice for choice in choices if choice.lower().startswith(said)]
    return fitting[0] if len(fitting) == 1 else None


def not_a_choice(typed: str, choices: Sequence[str]) -> str:
    """Return what a person is told who typed something else."""
    return f"{typed!r} is no answer here: type {' or '.join(choices)} (Return: {choices[0]})"


@dataclass(frozen=True, slots=True)
class Answer:
    """What was answered, and by whom."""

    text: str
    by: str


class Technician(Protocol):
    """Whoever answers prompts. Raises Stopped when the person wants to stop."""

    def answer(self, prompt: Prompt) -> Answer: ...

    def tell(self, prompt: Prompt) -> None:
        """Show what is to be done; nobody answers, the bench itself sees when it is done."""


class AskingHands:
    """The hands of a bench: every task is a prompt, journalled with its answer."""

    def __init__(self, ask: Callable[[Prompt], Answer]) -> None:
        self._ask = ask

    def clear(self, terminals: Sequence[str]) -> None:
        text = "Take every clip off the cell's leads: nothing of an earlier test stays joined."
        self._ask(Prompt(text=text, caution=CLIP_CAUTION, clear=tuple(terminals)))

    def clip(
        self,
        off: frozenset[Join],
        on: frozenset[Join],
        live_volts: float | None = None,
        seen: Callable[[], bool] | None = None,
    ) -> None:
        plant = any(isinstance(join.lead, PlantTerminal) for join in off | on)
        caution = PLANT_CAUTION if plant else CLIP_CAUTION
        if live_volts is not None:
            caution = live_caution(live_volts)
        self._ask(replace(clip_prompt(sorted(off), sorted(on), caution), seen=seen))

    def do(self, task: HandTask) -> str:
        return self._ask(hand_prompt(task)).text


def hand_prompt(task: HandTask) -> Prompt:
    """The prompt for an instrument without a link."""
    if task.quantity:
        return Prompt(
            text=f"{task.text}.",
            choices=(),
            display=task.role,
            quantity=task.quantity,
            extreme=task.extreme,
            seconds=task.seconds,
        )
    return Prompt(
        text=f"{task.text}.",
        caution=task.caution,
        operate=task.role,
        settings=task.settings,
        switch=task.switch,
    )


def live_caution(volts: float) -> str:
    """Shown where clips are moved under excitation."""
    return (
        f"The excitation is ON, {volts:g} V: move only these clips, by their insulation; touch no"
        " bare metal and bridge no two leads."
    )


def clip_prompt(off: Sequence[Join], on: Sequence[Join], caution: str) -> Prompt:
    """The prompt for clips that no relay can reach."""
    exchanged = _exchanged(off, on)
    off_told = [join for join in off if join.terminal not in exchanged]
    on_told = [join for join in on if join.terminal not in exchanged]
    moved, off_alone, on_alone = _moves(off_told, on_told)
    pairs = [f"{one} and {other}" for one, other in exchanged.items() if one < other]
    parts = [f"Exchange, at the instrument, {'; '.join(pairs)}"] if pairs else []
    parts += [f"Move {_and(terminals)} {way}" for way, terminals in moved.items()]
    for word, to, joins in (("Take off", "from", off_alone), ("Clip", "to", on_alone)):
        if joins:
            parts.append(f"{word}: " + "; ".join(_grouped(joins, to)))
    return Prompt(
        text=". ".join(parts) + ".", caution=caution, clip_off=tuple(off), clip_on=tuple(on)
    )


def _exchanged(off: Sequence[Join], on: Sequence[Join]) -> dict[str, str]:
    """Return the terminals that take each other's leads, all of them, and each one's other.

    Their clips stay where they are: the leads are exchanged where they leave the instrument.
    """
    leave, come = _by_terminal(off), _by_terminal(on)
    return {
        one: other
        for one, leads in leave.items()
        for other in come
        if other in leave
        and one != other
        and come[other] == leads
        and come.get(one) == leave[other]
    }


def _by_terminal(joins: Sequence[Join]) -> dict[str, frozenset[tuple[str, int]]]:
    found: dict[str, set[tuple[str, int]]] = {}
    for join in joins:
        found.setdefault(join.terminal, set()).add((join.lead, join.position))
    return {terminal: frozenset(leads) for terminal, leads in found.items()}


def _moves(
    off: Sequence[Join], on: Sequence[Join]
) -> tuple[dict[str, list[str]], list[Join], list[Join]]:
    """Return the terminals that go the same way, told in words, and what only comes off or on."""
    moved: dict[str, list[str]] = {}
    gone: set[str] = set()
    for join in off:
        from_here = [each for each in off if each.terminal == join.terminal]
        to_there = [each for each in on if each.terminal == join.terminal]
        if len(from_here) == len(to_there) == 1:
            moved.setdefault(_way(join, to_there[0]), []).append(join.terminal)
            gone.add(join.terminal)
    off_alone = [each for each in off if each.terminal not in gone]
    return moved, off_alone, [each for each in on if each.terminal not in gone]


def _way(off: Join, on: Join) -> str:
    if off.lead == on.lead:
        return f"from position {off.position} to the same leads at position {on.position}"
    return f"from {_lead(off)} to {_lead(on)}"


def _grouped(joins: Sequence[Join], word: str) -> list[str]:
    """Tell joins once per terminal with its leads, terminals of the same leads together."""
    leads: dict[str, dict[int, list[str]]] = {}
    for join in joins:
        leads.setdefault(join.terminal, {}).setdefault(join.position, []).append(str(join.lead))
    alike: dict[str, list[str]] = {}
    for terminal, by_position in leads.items():
        alike.setdefault(_places(by_position), []).append(terminal)
    return [f"{_and(terminals)} {word} {where}" for where, terminals in alike.items()]


def _places(leads: Mapping[int, Sequence[str]]) -> str:
    """Tell the leads of several cells: those that are alike once, with their positions."""
    where: dict[tuple[str, ...], list[int]] = {}
    for position, names in leads.items():
        where.setdefault(tuple(names), []).append(position)
    told = []
    for names, positions in where.items():
        at = "" if positions == [1] else f" at position {positions[0]}"
        if len(positions) > 1:
            at = f" at each of positions {_and([str(each) for each in positions])}"
        told.append(f"{_and(names)}{at}")
    return ", and ".join(told)


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def _lead(join: Join) -> str:
    return f"{join.lead}" if join.position == 1 else f"{join.lead} at position {join.position}"

"""The scanner's relays as elements of the circuit; a fixture that nothing is joined to as a whole.

An element that is the same as before is the same object: some hundred relays stand between the
cells of a lot, and the circuit asks for all of them whenever one has moved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from simulated_bench.electrical import Contact, contact
from simulated_bench.elements import Element, Part
from simulated_bench.idle_fixture import idle_parts
from simulated_bench.on_the_bench import CellOnBench
from simulated_bench.position import at_position


@dataclass(frozen=True, slots=True)
class Crosspoint:
    """A relay of the scanner between a terminal and a lead in a fixture."""

    channel: int
    terminal: str
    lead: str
    how: Contact
    position: int = 1


class RelayParts:
    """What stands between terminals and leads, for the relays that are closed now."""

    def __init__(self, crosspoints: Mapping[int, Crosspoint], closed: AbstractSet[int]) -> None:
        """Both are the bench's own and follow what happens there."""
        self._crosspoints = crosspoints
        self._closed = closed
        self._contacts: dict[tuple[int, bool], Element] = {}
        self._open: dict[int, Element] = {}  # by the plain name of the lead
        self._idle: dict[CellOnBench, list[Part]] = {}

    def forget_cells(self) -> None:
        """Another cell lies in a fixture."""
        self._idle.clear()

    def parts(self, idle: Sequence[CellOnBench]) -> list[Part]:
        """Return every relay of the fixtures in use; the cells of the others, each as a whole."""
        positions = {cell.position for cell in idle}
        open_: dict[int, list[Element]] = {}
        parts: list[Part] = []
        for point in self._crosspoints.values():
            if point.position in positions:
                open_.setdefault(point.position, []).append(self._plainly_open(point))
            else:
                parts.append(self._part(point))
        for cell in idle:
            if cell not in self._idle:  # the same for as long as it lies there
                self._idle[cell] = idle_parts(cell, open_.get(cell.position, ()))
            parts += self._idle[cell]
        return parts

    def _part(self, point: Crosspoint) -> Element:
        key = point.channel, point.channel in self._closed
        part = self._contacts.get(key)
        if part is None:
            lead, name = at_position(point.position, point.lead), f"relay {point.channel}"
            part = contact(point.terminal, lead, point.how, closed=key[1], name=name)
            self._contacts[key] = part
        return part

    def _plainly_open(self, point: Crosspoint) -> Element:
        part = self._open.get(point.channel)
        if part is None:
            part = contact(point.terminal, point.lead, point.how, closed=False)
            self._open[point.channel] = part
        return part

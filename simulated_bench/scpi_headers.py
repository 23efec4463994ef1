"""The tree of commands: headers as manuals print them, and how a message's headers find theirs."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from itertools import product
from typing import Generic, TypeVar

from simulated_bench.scpi import ScpiError, Unit

Command = TypeVar("Command")


@dataclass(slots=True)
class _Node(Generic[Command]):
    children: dict[str, _Node[Command]] = field(default_factory=dict)
    numbered: int = 0  # the largest numeric suffix that this mnemonic may carry, 0: none
    setting: Command | None = None
    query: Command | None = None


class CommandTree(Generic[Command]):
    """Headers written as manuals print them: `[SENSe:]VOLTage[:DC]:NPLCycles?`.

    Capitals are the short form, square brackets mark optional nodes, `<4>` behind a mnemonic
    allows numeric suffixes 1 to 4 (no suffix means 1). SCPI-1999 volume 1, section 6.2.
    """

    def __init__(self) -> None:
        self._root: _Node[Command] = _Node()
        self._common: dict[tuple[str, bool], Command] = {}

    def add(self, pattern: str, command: Command) -> None:
        """Enter a command under its header pattern; a `?` at the end makes it a query."""
        query = pattern.endswith("?")
        bare = pattern.removesuffix("?")
        if bare.startswith("*"):
            self._common[bare[1:].upper(), query] = command
            return
        for path in expand(bare):
            node = self._root
            for written in path:
                node = self._child(node, written)
            if query:
                node.query = command
            else:
                node.setting = command

    def _child(self, node: _Node[Command], written: str) -> _Node[Command]:
        name, _, rest = written.partition("<")
        short = re.sub(r"[a-z]+$", "", name) if not name.isupper() else name
        child = node.children.get(short)
        if child is None:
            child = node.children[short] = node.children[name.upper()] = _Node()
        node.children[name.upper()] = child
        if rest:
            child.numbered = max(child.numbered, int(rest.rstrip(">")))
        return child

    def reader(self) -> HeaderPath[Command]:
        """Return the look-up for one program message, standing at the root."""
        return HeaderPath(self._root, self._common)


class HeaderPath(Generic[Command]):
    """Where relative headers of one program message start (SCPI-1999, 6.2.4)."""

    def __init__(self, root: _Node[Command], common: dict[tuple[str, bool], Command]) -> None:
        self._root = root
        self._common = common
        self._here = root

    def find(self, unit: Unit) -> tuple[Command, tuple[int, ...]]:
        """Return the command and the numeric suffixes; raises ScpiError -113 or -114."""
        header = unit.header
        if header.common:
            found = self._common.get((header.nodes[0], header.query))
            if found is None:
                raise ScpiError(-113, unit.text)
            return found, ()
        node = self._root if header.absolute else self._here
        numbers: list[int] = []
        parent = node
        for name in header.nodes:
            parent = node
            node = self._step(node, name, numbers, unit)
        command = node.query if header.query else node.setting
        if command is None:
            raise ScpiError(-113, unit.text)
        self._here = parent
        return command, tuple(numbers)

    def _step(
        self, node: _Node[Command], name: str, numbers: list[int], unit: Unit
    ) -> _Node[Command]:
        child = node.children.get(name)
        if child is not None:
            if child.numbered:
                numbers.append(1)
            return child
        bare = name.rstrip("0123456789")
        child = node.children.get(bare)
        if child is None or not child.numbered:
            raise ScpiError(-113, unit.text)
        number = int(name[len(bare) :])
        if not 1 <= number <= child.numbered:
            raise ScpiError(-114, unit.text)
        numbers.append(number)
        return child


def expand(pattern: str) -> list[tuple[str, ...]]:
    """Return every way to write a header pattern, optional nodes in and out."""
    pieces = re.findall(r"\[[^\]]*\]|[^\[\]]+", pattern)
    choices = [("", p[1:-1]) if p.startswith("[") else (p,) for p in pieces]
    paths = []
    for chosen in product(*choices):
        text = ":".join(part for piece in chosen for part in piece.split(":") if part)
        if text:
            paths.append(tuple(text.split(":")))
    return paths


def short_form(mnemonic: str) -> str:
    """Return the short form of a mnemonic written with its short form in capitals."""
    return re.sub(r"[a-z]+", "", mnemonic)


def spells(written: str, mnemonic: str) -> bool:
    """Tell whether `written` is the short or the long form of `mnemonic`, in any case."""
    return written.upper() in (short_form(mnemonic), mnemonic.upper())

"""How nodes and elements are named when several cells lie in fixtures of one bench."""

from __future__ import annotations

from functools import cache


@cache
def position_of(name: str) -> int:
    """Return the fixture that a node or an element is in."""
    word, _, rest = name.partition(" ")
    number = rest.partition(" ")[0]
    return int(number) if word == "position" and number.isdigit() else 1


@cache
def at_position(position: int, name: str) -> str:
    """Return a node or an element of the cell in a fixture; the first keeps its names."""
    return name if position == 1 or name == "earth" else f"position {position} {name}"

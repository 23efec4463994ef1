"""Digits that are read from 3 m: five rows of half-block dots, drawn for this display."""

from __future__ import annotations

ROWS = 5
_SHAPES = {
    "0": ("████", "█  █", "█  █", "█  █", "████"),
    "1": ("  █ ", " ██ ", "  █ ", "  █ ", " ███"),
    "2": ("████", "   █", "████", "█   ", "████"),
    "3": ("████", "   █", " ███", "   █", "████"),
    "4": ("█  █", "█  █", "████", "   █", "   █"),
    "5": ("████", "█   ", "████", "   █", "████"),
    "6": ("████", "█   ", "████", "█  █", "████"),
    "7": ("████", "   █", "  █ ", " █  ", " █  "),
    "8": ("████", "█  █", "████", "█  █", "████"),
    "9": ("████", "█  █", "████", "   █", "████"),
    "-": ("    ", "    ", "████", "    ", "    "),
    "+": ("    ", "  █ ", " ███", "  █ ", "    "),
    ".": (" ", " ", " ", " ", "█"),
    " ": ("    ", "    ", "    ", "    ", "    "),
    "E": ("████", "█   ", "███ ", "█   ", "████"),
    "r": ("    ", "    ", "█ ██", "██  ", "█   "),
}


def big(text: str, width: int) -> list[str]:
    """Return five rows of text; dots are two columns wide where they fit into `width`."""
    for wide in (3, 2, 1):
        rows = _rows(text, wide)
        if len(rows[0]) <= width:
            return rows
    return _rows(text, 1)


def _rows(text: str, wide: int) -> list[str]:
    shapes = [_SHAPES.get(sign, _SHAPES[" "]) for sign in text]
    gap = " " * wide
    return [
        gap.join("".join(dot * wide for dot in shape[row]) for shape in shapes)
        for row in range(ROWS)
    ]

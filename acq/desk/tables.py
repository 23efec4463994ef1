"""Results as tables: drawn by rich on a terminal, plain aligned text in a pipe or a log."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import click


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under a title; the first column stands left, the others right."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def show(parts: Iterable[Table | str]) -> None:
    """Write tables and lines to standard output."""
    draw = _by_rich if sys.stdout.isatty() else _plainly
    draw(list(parts))


def _plainly(parts: Sequence[Table | str]) -> None:
    for part in parts:
        click.echo(part if isinstance(part, str) else plain(part))


def plain(table: Table) -> str:
    """Return a table as aligned text, without any drawing."""
    lines = [table.columns, *table.rows]
    widths = [max(len(line[k]) for line in lines) for k in range(len(table.columns))]
    text = [_aligned(line, widths) for line in lines]
    return "\n".join([table.title, *(f"  {line}".rstrip() for line in text), ""])


def _aligned(cells: Sequence[str], widths: Sequence[int]) -> str:
    first, *others = (cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
    right = [cell.strip().rjust(width) for cell, width in zip(others, widths[1:], strict=True)]
    return "  ".join([first, *right])


def _by_rich(parts: Sequence[Table | str]) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table as Drawn
    from rich.text import Text

    console = Console()
    for part in parts:
        if isinstance(part, str):
            console.print(Text(part))
            continue
        drawn = Drawn(title=part.title, title_justify="left", box=box.SIMPLE_HEAD)
        for place, name in enumerate(part.columns):
            drawn.add_column(Text(name), justify="left" if place == 0 else "right")
        for row in part.rows:
            drawn.add_row(*(Text(cell) for cell in row))
        console.print(drawn)

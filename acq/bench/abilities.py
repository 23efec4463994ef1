"""What the instruments of a bench cannot do, known from their dialects before any link is opened.

Some of it a run goes on without, and says so; some of it nothing may be switched on without.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from acq.bench.bench_file import BenchFile
from acq.bench.instruments import dialect_of
from acq.errors import BenchFailure

_GOES_ON: Mapping[tuple[str, str], str] = {
    ("supply", "remote sense"): "no remote sense: what the leads drop is measured, not regulated",
    ("supply", "over-voltage protection"): (
        "no over-voltage protection that can be told: set one at its panel where it has one"
    ),
    ("supply", "output state"): "does not tell its switch: off is proven by its volts alone",
    ("insulation", "applied voltage"): (
        "does not tell what it applies: the set test voltage stands in the results"
    ),
}
_NEEDED: Mapping[tuple[str, str], str] = {
    ("supply", "voltage"): "it must be seen that nothing is left on the leads",
    ("supply", "current"): "the current must be seen before full excitation",
}


def lacking(file: BenchFile, roles: Iterable[str], folder: Path) -> list[str]:
    """Return what these roles lack and a run goes on without, one sentence each.

    Raises BenchFailure for what nothing may be switched on without, FileError for a dialect.
    """
    found = list(_lacks(file, roles, folder))
    for role, word in found:
        if (role, word) in _NEEDED:
            raise BenchFailure(
                f"{role}: its dialect {file.instruments[role].dialect!r} has no"
                f" [quantities.{word}]: {_NEEDED[role, word]}; nothing was switched on"
            )
    return [f"{role}: {_GOES_ON[role, word]}" for role, word in found if (role, word) in _GOES_ON]


def _lacks(file: BenchFile, roles: Iterable[str], folder: Path) -> Iterator[tuple[str, str]]:
    for role in roles:
        entry = file.instruments.get(role)
        if entry is not None and not entry.by_hand:
            yield from ((role, word) for word in dialect_of(file, role, folder).absent)

"""Whether two quantities of a dialect could be one and the same reading under two names."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

from drivers.dialect_parts import Quantity


def why_not_told_apart(quantities: Mapping[str, Quantity]) -> str:
    """Return which two quantities an instrument in one function gives both, or nothing.

    They are told apart by another question, another place in the reply, the unit that stands in
    it, or by settings or a proof of the function that are not the same for both.
    """
    for (one, first), (other, second) in combinations(sorted(quantities.items()), 2):
        if _asked_alike(first, second) and not _set_apart(first, second):
            asked = repr(first.reading.ask) if first.reading.ask else "its stream"
            return (
                f"quantities.{one} and quantities.{other} are both read by {asked} alike: give each"
                " settings, or a proof (reading.prove), that show which of them it is"
            )
    return ""


def _asked_alike(first: Quantity, second: Quantity) -> bool:
    one, other = first.reading, second.reading
    if (one.by, one.ask, one.reply.pattern) != (other.by, other.ask, other.reply.pattern):
        return False
    return not ("unit" in one.reply.groups and first.unit != second.unit)


def _set_apart(first: Quantity, second: Quantity) -> bool:
    steps = [(*each.settings, *each.reading.begin, *each.reading.prove) for each in (first, second)]
    return all(steps) and steps[0] != steps[1]

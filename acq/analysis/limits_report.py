"""What a full electrical test of one type of cell would show, and what is too small for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from acq.analysis.detection import DetectionLimit, detection_limits
from acq.analysis.diagnosis import Earlier
from acq.analysis.expectation import ExpectedCell
from acq.analysis.faults import Fault
from acq.analysis.leads import lead_pairs
from acq.analysis.papers import condition
from acq.analysis.population import Population
from acq.analysis.ranking import Ranker

UNDER = "with all pairs, the zero at both polarities and three insulation readings, one fault alone"


def limits_of(expected: ExpectedCell, earlier: Sequence[Earlier] = ()) -> list[DetectionLimit]:
    """Return from which size on each fault at each place is named first, for cells like this."""
    population = Population(several=0.0)
    root = condition(expected, population, [x.kind for x in earlier]).root if earlier else None
    ranker = Ranker(expected, population, lead_pairs(expected.wires), root=root)
    found = detection_limits(ranker)
    asked = (limit for place, ways in found.items() for limit in ways if _a_fault(place.fault))
    return sorted(asked, key=lambda limit: (limit.place.fault, limit.place.where))


def _a_fault(fault: Fault) -> bool:
    return fault not in (Fault.NONE_FOUND, Fault.UNKNOWN)


def limits_document(limits: Sequence[DetectionLimit]) -> dict[str, Any]:
    """Return the limits as JSON values; `size` null: never from these readings."""
    told = [
        {
            "fault": str(limit.place.fault),
            "where": [str(lead) for lead in limit.place.where],
            "size": limit.size,
            "unit": limit.unit,
            "smaller_is_worse": limit.smaller_is_worse,
            "part_of_the_cable": limit.reach,
        }
        for limit in limits
    ]
    return {"under": UNDER, "limits": told}


def limits_text(limits: Sequence[DetectionLimit]) -> Iterator[str]:
    """Yield the limits as lines; places of a fault that share a limit share a line."""
    yield f"Named first ({UNDER}):"
    lines: dict[tuple[Fault, str], list[str]] = {}
    for limit in limits:
        lines.setdefault((limit.place.fault, limit.text), []).append(limit.place.place)
    for (fault, text), places in lines.items():
        where = ", ".join(dict.fromkeys(place for place in places if place))
        yield f"  {fault}{f' ({where})' if where else ''}: {text}"

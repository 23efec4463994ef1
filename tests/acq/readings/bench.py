"""Readings and accuracies that the tests of this room share."""

from __future__ import annotations

from itertools import count

from acq.readings.reading import Limitation, Reading
from acq.readings.specification import UNITS, Accuracy

_clock = count(1_000_000_000, 400_000_000)

# 6.5-digit class figures of the trade, from memory: not those of a make
MILLIVOLTS = Accuracy(
    quantity="dc-voltage",
    range=0.1,
    reading_ppm=50.0,
    range_ppm=35.0,
    offset_share=0.9,
    linearity_ppm=2.0,
)
VOLTS = Accuracy(quantity="dc-voltage", range=10.0, reading_ppm=35.0, range_ppm=5.0)
OHMS = Accuracy(quantity="resistance", range=1000.0, reading_ppm=100.0, range_ppm=10.0)
INSULATION = Accuracy(quantity="insulation-resistance", reading_ppm=100_000.0)
BENCH = {"dmm": (MILLIVOLTS, VOLTS, OHMS), "insulation": (INSULATION,)}


def reading(
    quantity: str,
    value: float | None,
    range_: float | None = None,
    *,
    role: str = "dmm",
    limit: Limitation | None = None,
    plc: float | None = 10.0,
) -> Reading:
    """Return a reading at a time of its own."""
    started = next(_clock)
    return Reading(
        quantity=quantity,
        value=value,
        limit=limit,
        unit=UNITS[quantity],
        instrument=role,
        range_=range_,
        plc=plc,
        started_ns=started,
        ended_ns=started + 200_000_000,
        raw="" if value is None else f"{value:+.8E}",
    )

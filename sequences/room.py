"""The room's temperature, where the bench has a thermometer: instruments and cell follow it."""

from __future__ import annotations

from typing import Any

from acq.bench.bench import Request
from acq.readings.measured import is_number
from acq.readings.units import read_value
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from sequences.acceptance_plan import AcceptancePlan

UNKNOWN_KELVINS = 1.0  # half width of a thermometer whose accuracy the bench file does not state
RECTANGULAR = 3.0**0.5
WALL_THERMOMETER = "wall thermometer"
COLDEST, WARMEST = -40.0, 80.0  # degC that anybody tests a load cell at


def asked_temperature(check: Check) -> float | None:
    """Have a person read the thermometer beside the cell, degC; None where there is none."""
    problem = ""
    while True:
        text = f"{problem}Temperature beside the cell in degC; Return alone: not known"
        prompt = Prompt(text=text, choices=(), display=WALL_THERMOMETER)
        typed = check.ask(prompt).strip().removesuffix("C").removesuffix("deg").strip()
        if not typed:
            return None
        try:
            celsius, limit = read_value(typed, "degC")
        except ValueError:
            celsius, limit = None, None
        if celsius is not None and limit is None and COLDEST <= celsius <= WARMEST:
            return celsius
        problem = f"A temperature from {COLDEST:g} to {WARMEST:g} is needed, got {typed!r}. "


def room_temperature(run: Run[AcceptancePlan]) -> float | None:
    """Read the room once, tell it, and let the instruments' uncertainty follow it; degC.

    None without a thermometer: then instruments are taken to be within the temperatures that
    their accuracies hold for, and the cell's temperature is not known.
    """
    if not run.has("thermometer"):
        return None
    with run.check("room") as check:
        reading = check.read(Request(quantity="temperature", role="thermometer"))
        if reading.value is None or not reading.is_number:
            check.withhold(f"the thermometer shows no temperature: {reading.raw!r}")
            return None
        marks = []
        if run.accuracy("thermometer", "temperature", None) is None:
            marks = ["the bench file states no accuracy of the thermometer"]
            spread = run.uncertainties.fresh("thermometer", UNKNOWN_KELVINS / RECTANGULAR)
            told: Any = reading.value + spread
        else:
            told = run.uncertainties.of(reading)
        check.finding("room temperature", "temperature", "degC", told, marks=marks)
        assert is_number(told)
        run.uncertainties.bench_is_at(told.x, RECTANGULAR * told.u)
        return float(told.x)

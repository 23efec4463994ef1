"""Every unit that pint knows, at the two edges where papers and people bring them.

Never used while measuring; imported where a unit is met that `paper_units` does not have.
"""

from __future__ import annotations

import difflib
from functools import cache
from typing import Any

from acq.errors import WrongInput

SPELLINGS = {"%": "percent", "kp": "kgf", "°C": "degC", "°F": "degF", "tf": "metric_ton_force"}
COMMON: tuple[str, ...] = ("kg", "g", "t", "lb", "oz", "N", "kN", "lbf", "kgf")
COMMON += ("mV/V", "%RO", "mA", "percent")
COMMON += (
    "ohm",
    "Mohm",
    "Gohm",
    "V",
    "mV",
    "degC",
    "degF",
    "K",
    "mm",
    "in",
    "ft",
    "m",
    "Pa",
    "hPa",
)
# what pint calls a dimension in base units -> the unit that sheets keep
SHEET_UNITS = ("kg", "N", "ohm", "V", "A", "W", "m", "Hz", "N*m")


@cache
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(cache_folder=None)
    registry.define("metric_ton_force = 1000 * kilogram_force")
    return registry


def known_unit(text: str) -> Any:
    """Return pint's unit. Raises WrongInput that names units near it."""
    import pint

    try:
        return _registry().Unit(SPELLINGS.get(text, text))
    except (pint.errors.PintError, AttributeError, ValueError, TypeError, SyntaxError):
        pass
    except Exception as error:  # noqa: BLE001  (its tokenizer raises errors of its own)
        raise WrongInput(f"no unit {text!r}: {error}") from None
    near = difflib.get_close_matches(text, COMMON, n=3, cutoff=0.5)
    hint = f"near it: {', '.join(near)}" if near else f"such as {', '.join(COMMON[:8])}"
    raise WrongInput(f"no unit {text!r}; {hint}")


def measure(value: float, unit: str) -> Any:
    """Return pint's quantity. Raises WrongInput for an unknown unit."""
    return _registry().Quantity(value, known_unit(unit))


def in_sheet_unit(value: float, unit: str) -> str:
    """Return the text that a sheet keeps for a unit that only pint knows: "12 cwt" in kg.

    Raises WrongInput for a unit of a kind that no sheet holds.
    """
    quantity = measure(value, unit)
    for kept in SHEET_UNITS:
        if quantity.check(known_unit(kept).dimensionality):
            return f"{float(quantity.to(known_unit(kept)).magnitude)!r} {kept}"
    raise WrongInput(f"no sheet holds a value in {unit!r}")

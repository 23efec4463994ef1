"""What the multimeter's functions keep, and how they are named and told."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from simulated_bench.instruments.meter_functions import FUNCTIONS, Function, Range
from simulated_bench.scpi import ScpiError

Manner = Literal["configure", "function", "measure"]
"""How it likes to be told what to measure: CONFigure (and all the rest), FUNCtion, MEASure."""
PLC_OF_RESOLUTION = ((100e-6, 0.02), (10e-6, 0.2), (3e-6, 1.0), (1e-6, 10.0), (0.3e-6, 100.0))
"""Resolution in parts of range, and the cycles that it takes."""
USUAL_PLC = 10.0
LONG_NAMES = {"VOLTAGE": "VOLT", "CURRENT": "CURR", "RESISTANCE": "RES", "FRESISTANCE": "FRES"}
ALIASES = {"VOLT:DC": "VOLT", "CURR:DC": "CURR"}


@dataclass(frozen=True, slots=True)
class Setting:
    """What each function keeps for itself."""

    range: Range
    automatic: bool = True
    plc: float = USUAL_PLC
    zero: bool = True
    compensated: bool = False


def function_named(name: str) -> Function:
    """Return the function of a `FUNCtion` string; raises ScpiError -224."""
    text = name.upper().removeprefix("SENS:").removeprefix("SENSE:")
    head, colon, tail = text.partition(":")
    text = LONG_NAMES.get(head, head) + colon + tail
    text = ALIASES.get(text, text)
    if text not in FUNCTIONS:
        raise ScpiError(-224)
    return FUNCTIONS[text]


def configured(function: Function, range_: float | None, digits: float | None) -> Setting:
    """Return what `CONFigure` with range and resolution sets; raises ScpiError -222 or -221.

    NaN stands for AUTO and DEF.
    """
    automatic = range_ is None or math.isnan(range_)
    found = function.ranges[-1] if automatic else function.holding(abs(range_ or 0.0))
    if found is None:
        raise ScpiError(-222)
    if digits is None or math.isnan(digits):
        return Setting(found, automatic)
    if digits < found.name * 1e-9:
        raise ScpiError(-221)
    asked = digits / found.name * (1 + 1e-9)
    plc = next((cycles for share, cycles in PLC_OF_RESOLUTION if share <= asked), 100.0)
    return Setting(found, automatic, plc)

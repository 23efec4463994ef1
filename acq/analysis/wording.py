"""Numbers and places as people read them; used by explanations, tests and drawings alike."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def ohms(value: float) -> str:
    """Return a resistance for people: `1069.9 ohm`, `18.4 ohm`, `2.5 Gohm`, `open`."""
    if np.isnan(value):
        return "not measured"
    if np.isinf(value) or value > 1e11:
        return "open"
    for factor, unit in ((1e9, "Gohm"), (1e6, "Mohm"), (1e4, "kohm")):
        if abs(value) >= factor:
            scale = 1e3 if unit == "kohm" else factor
            return f"{value / scale:.3g} {unit}"
    return f"{tidy(value)} ohm"


def tidy(value: float) -> str:
    """Return a number with five digits, at least to a hundredth below 1000."""
    if abs(value) >= 1000.0:
        return f"{value:.1f}"
    return f"{value:.2f}" if abs(value) >= 1.0 else f"{value:.3f}"


def millivolts(ratio: float) -> str:
    """Return a ratio in V/V as signed mV/V."""
    return f"{1e3 * ratio:+.4g} mV/V"


def listed(words: Sequence[str]) -> str:
    """Return `a`, `a and b`, `a, b and c`."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"

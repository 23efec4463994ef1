"""What input and output resistance say about the adjacent pairs (one Ex and one S lead).

Equal arms R, compensation c in the excitation legs, r per conductor of the cable: Rin = R + sum c
+ 2 r, Rout = R + 2 r, and a pair on the leg with c reads 3/4 R + c + 2 r. So, without R and c:

    symmetrical   Rin/2 + Rout/4 + r/2          one-sided, its side   Rin - Rout/4 + r/2
                                                the other side        3/4 Rout + r/2
"""

from __future__ import annotations

from acq.analysis.leads import Lead
from acq.cells.data_sheet import Layout

Interval = tuple[float, float]


def adjacent_pair(
    input_: Interval, output: Interval, lead_ohms: float, layout: Layout, excitation: Lead
) -> Interval:
    """Return (lowest, highest) ohm of the pairs on one excitation lead.

    `input_` and `output` are (lowest, highest) ohm. With unknown layout every layout is allowed.
    """
    half = lead_ohms / 2.0
    free = (0.75 * output[0] + half, 0.75 * output[1] + half)
    loaded = (input_[0] - output[1] / 4.0 + half, input_[1] - output[0] / 4.0 + half)
    match layout:
        case "symmetrical":
            return (
                input_[0] / 2.0 + output[0] / 4.0 + half,
                input_[1] / 2.0 + output[1] / 4.0 + half,
            )
        case "none":
            return free
        case "unknown":
            return min(free[0], loaded[0]), max(free[1], loaded[1])
    side = Lead.EX_PLUS if layout == "one-sided Ex+" else Lead.EX_MINUS
    return loaded if excitation is side else free

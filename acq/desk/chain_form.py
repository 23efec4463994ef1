"""A form per chain for a plant where no laptop may enter: what to do, what to expect, blanks.

Plain text of 100 columns, to print and fill in by hand; typed in later with
`typed_in_later = true` in the chain's file.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from acq.analysis.chain import current_for_ratio, displayed, joined_ratio
from acq.analysis.chain_papers import Chain
from acq.analysis.chain_steps import (
    AREA,
    FLOATING,
    HANGING,
    INHIBIT,
    LOOP_OPEN,
    NO_INSULATION,
    POWER,
)
from acq.cells import paper_units as units
from acq.cells.chain_visit import ChainVisit

COLUMNS = 100
BLANK = "____________"


def form(visit: ChainVisit) -> str:
    """Return the form of a chain as text."""
    parts = (_head, _excitation, _signals, _fed_ratio, _fed_current, _corners, _restore)
    lines = [line for part in parts for line in part(visit)]
    return "\n".join(lines) + "\n"


def _head(visit: ChainVisit) -> Iterator[str]:
    chain = visit.chain
    yield f"WEIGHING CHAIN {chain.name}: readings on site"
    yield f"Date {BLANK}  By {BLANK}  Permit no. {BLANK}  Inhibits by operations {BLANK}"
    yield f"Instruments (number, calibrated until) {BLANK}{BLANK}{BLANK}"
    yield ""
    for caution in (INHIBIT, AREA, HANGING, NO_INSULATION):
        yield from _caution(caution)
    yield ""
    yield "As found first: touch nothing, zero nothing, adjust nothing before it is written down."
    yield f"Process state (agitator, heating, valves) {BLANK}{BLANK}   Content {BLANK} kg"


def _excitation(visit: ChainVisit) -> Iterator[str]:
    chain = visit.chain
    volts = chain.terminal_volts
    at_box = volts * chain.cable_share
    yield ""
    yield "1. EXCITATION, cells connected; measure, do not disconnect"
    yield f"   at the transmitter  DC {BLANK} V (expected {volts:.3f})   AC {BLANK} V"
    yield f"   at the box             {BLANK} V (expected {at_box:.3f})"
    if chain.sensed:
        yield f"   sense terminals        {BLANK} V (expected as at the box)"


def _signals(visit: ChainVisit) -> Iterator[str]:
    chain = visit.chain
    loads = [cell.share * chain.dead_load for cell in chain.cells]
    ratios = [cell.ratio(load) for cell, load in zip(chain.cells, loads, strict=True)]
    total = joined_ratio(ratios, [cell.output_ohms for cell in chain.cells])
    at_end = chain.terminal_ratio(total)
    amperes = _current(chain, at_end)
    shown = displayed(amperes, chain.lower, chain.upper)
    yield ""
    yield "2. SIGNALS, vessel empty; mV and V within the same seconds"
    yield from _caution(INHIBIT)
    for index, (cell, ratio) in enumerate(zip(chain.cells, ratios, strict=True), 1):
        yield _blank(f"input {index} {cell.name}, its signal pair lifted", ratio * 1e3, 5, "mV/V")
    yield _blank("box sum, all connected", total * 1e3, 5, "mV/V")
    yield _blank("transmitter terminals", at_end * 1e3, 5, "mV/V")
    yield _blank("current at the transmitter", amperes * 1e3, 3, "mA")
    yield _blank("current at the control system", amperes * 1e3, 3, "mA")
    yield _blank("display at the same moment", shown, 1, "kg")
    yield from _caution(LOOP_OPEN)


def _caution(text: str) -> Iterator[str]:
    first, rest = "   ! ", "     "
    yield from textwrap.wrap(text, COLUMNS, initial_indent=first, subsequent_indent=rest)


def _blank(what: str, expected: float, digits: int, unit: str) -> str:
    return f"   {what:<44} {BLANK} {unit:<5} (expected {expected:.{digits}f})"


def _current(chain: Chain, ratio: float) -> float:
    transmitter = chain.transmitter
    return current_for_ratio(ratio, transmitter.ratio_at_4, transmitter.ratio_at_20)


def _fed_ratio(visit: ChainVisit) -> Iterator[str]:
    chain = visit.chain
    yield ""
    yield "3. mV/V IN PLACE OF THE CELLS, at the transmitter and at the box end of the home run"
    yield from _caution(INHIBIT)
    yield from _caution(FLOATING)
    low, span = chain.transmitter.ratio_at_4, chain.span_ratio
    yield from _source(visit)
    yield "   mV/V to feed      expected mA     up: mA       down: mA     from the box: mA"
    for part in (0.0, 0.25, 0.5, 0.75, 1.0):
        fed = low + part * span
        at_box = _current(chain, chain.terminal_ratio(fed))
        told = "" if chain.sensed else f" (expected {at_box * 1e3:.3f})"
        yield (
            f"   {fed * 1e3:9.5f}        {_current(chain, fed) * 1e3:7.3f}       "
            f" {BLANK} {BLANK} {BLANK}{told}"
        )


def _source(visit: ChainVisit) -> Iterator[str]:
    """The source against the tolerance, before anybody connects it."""
    chain, source = visit.chain, visit.file.instruments.fed_ratio
    top = chain.transmitter.ratio_at_20
    expanded = 2.0 * source.standard(top, units.RATIO) / abs(chain.span_ratio)
    allowed = chain.tolerances.transmitter.value
    fit = "fit for it" if 3.0 * expanded <= allowed else "coarse: what it finds may stay undecided"
    yield (
        f"   source: U = {expanded:.2%} of span at {top * 1e3:.4g} mV/V,"
        f" {allowed:.2%} allowed: {fit}"
    )


def _fed_current(visit: ChainVisit) -> Iterator[str]:
    chain = visit.chain
    yield ""
    yield "4. mA IN PLACE OF THE TRANSMITTER, at the control-system input"
    for caution in (INHIBIT, LOOP_OPEN, POWER):
        yield from _caution(caution)
    yield f"   open-circuit voltage {BLANK} V, polarity {BLANK}"
    for milliamps in (4.0, 8.0, 12.0, 16.0, 20.0, 3.8, 20.5):
        shown = displayed(milliamps * 1e-3, chain.lower, chain.upper)
        yield _blank(f"{milliamps:.1f} mA fed, display", shown, 1, "kg")
    yield f"   failure values 3.6 mA: {BLANK}   21 mA: {BLANK}   (alarm, substitute value?)"


def _corners(visit: ChainVisit) -> Iterator[str]:
    chain = visit.chain
    yield ""
    yield "5. KNOWN LOAD and the same weight over each mount"
    yield from _caution(HANGING)
    yield f"   known load {BLANK} kg, display {BLANK} kg, box {BLANK} mV/V, {BLANK} mA"
    for index, cell in enumerate(chain.cells, 1):
        yield f"   weight {BLANK} kg over {index} {cell.name:<10} display {BLANK} kg"
    yield "   All mounts must read alike: the total alone does not show an open signal pair."


def _restore(_visit: ChainVisit) -> Iterator[str]:
    yield ""
    yield "6. RESTORE; the job is not closed before every box is ticked"
    yield "   (typed in later as [restored] with who and when; in brackets: the key there)"
    for what in (
        "(signal_pairs) signal pairs back in the box, terminals tight",
        "(sense_links) sense links as found, and only there",
        "(covers) glands and covers closed, desiccant fresh",
        "(loop) mA loop closed, no test lead left",
        "(forced_values) forced values removed, by operations",
        "(inhibits) inhibits removed, by operations, at",
        "(as_left_readings) 1 to 4 taken again, display agrees",
    ):
        yield f"   [ ] {what} {BLANK}"
    yield f"   Signed {BLANK}   Operations accept the system back {BLANK}   Time {BLANK}"

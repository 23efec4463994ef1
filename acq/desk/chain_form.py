"""A form per chain for a plant where no laptop may enter: what to do, what to expect, blanks.

Plain text of 100 columns in pages of 62 lines (form feed between them), to print and fill in by
hand; typed in later with `typed_in_later = true` in the chain's file.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

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

COLUMNS, LINES = 100, 62
BLANK = "____________"
SHORT = "________"
UP = (0.0, 0.25, 0.5, 0.75, 1.0)
LIMITS = (-0.05, 1.05)
CURRENTS_MA = (4.0, 8.0, 12.0, 16.0, 20.0)


def form(visit: ChainVisit) -> str:
    """Return the form of a chain as text: sections that no page cuts in two."""
    parts = (
        _head, _excitation, _signals, _fed_ratio, _fed_current, _cold, _loads, _as_left, _restore,
    )  # fmt: skip
    return "\f".join(_pages(visit, [list(part(visit)) for part in parts]))


def _pages(visit: ChainVisit, sections: Sequence[list[str]]) -> Iterator[str]:
    pages: list[list[str]] = [[]]
    for section in sections:
        if pages[-1] and len(pages[-1]) + len(section) > LINES - 2:
            pages.append([])
        pages[-1] += section[not pages[-1] and not section[0] :]
    for number, lines in enumerate(pages, 1):
        left = f"{visit.chain.name}"
        top = f"{left}   page {number} of {len(pages)}   date {BLANK}  by {BLANK}"
        yield "\n".join([top, "", *lines]) + "\n"


def _head(visit: ChainVisit) -> Iterator[str]:
    yield f"WEIGHING CHAIN {visit.chain.name}: readings on site, by hand"
    yield f"Permit no. {BLANK}   Inhibits and forced values, by operations {BLANK} at {SHORT}"
    yield f"Instruments (number, calibrated until) {BLANK}{BLANK}{BLANK}{BLANK}"
    yield "Area:  [ ] not hazardous   [ ] gas-free, clearance no. " + BLANK + " until " + SHORT
    yield "       [ ] zone: STOP, connect nothing, write down the displays only"
    for caution in (INHIBIT, AREA, HANGING, NO_INSULATION):
        yield from _caution(caution)
    yield ""
    yield "As found first: touch nothing, zero nothing, adjust nothing before it is written down."
    yield "Write to each reading the time at which you took it."
    yield f"Process state (agitator, heating, pressure, valves) {BLANK}{BLANK}"
    yield f"Content of the vessel {BLANK} kg, may be off by {SHORT} kg"
    for _ in range(2):
        yield f"Hands off: display {BLANK} kg at {SHORT}     display {BLANK} kg at {SHORT}"
    yield f"Transmitter's own display {BLANK} at {SHORT}"
    yield "Mechanics seen (free movement, debris, check rods, stops, pipes, cable, level)"
    yield f"   {BLANK}{BLANK}{BLANK}{BLANK}"


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
    for index, cell in enumerate(chain.cells, 1):
        yield f"   input {index} {cell.name:<14} {BLANK} V (expected as at the box)"
    share = visit.file.tolerance.pulsed.value or 0.0
    yield f"   AC more than {share:.0%} of DC: pulsed or alternating excitation, leave out 3."


def _signals(visit: ChainVisit) -> Iterator[str]:
    chain = visit.chain
    loads = [cell.share * chain.dead_load for cell in chain.cells]
    ratios = [cell.ratio(load) for cell, load in zip(chain.cells, loads, strict=True)]
    total = joined_ratio(ratios, [cell.output_ohms for cell in chain.cells])
    at_end = chain.terminal_ratio(total)
    amperes = _current(chain, at_end)
    shown = displayed(amperes, chain.lower, chain.upper)
    yield ""
    yield "2. SIGNALS AS FOUND, expected for the empty vessel; mV and V within the same seconds"
    yield from _caution(INHIBIT)
    yield from _caution(LOOP_OPEN)
    yield _blank("box sum, all connected", total * 1e3, 5, "mV/V")
    yield "   the next three at one moment; with one meter mV/V once more after mA and display"
    yield _blank("transmitter terminals", at_end * 1e3, 5, "mV/V") + f" at {SHORT}"
    yield _blank("current at the transmitter", amperes * 1e3, 3, "mA") + f" at {SHORT}"
    yield _blank("display", shown, 1, "kg") + f" at {SHORT}"
    yield f"   {'transmitter terminals once more':<44} {BLANK} mV/V at {SHORT}"
    yield _blank("current at the control system", amperes * 1e3, 3, "mA") + f" at {SHORT}"
    yield "   one cell at a time, its signal pair lifted; put it back before the next"
    for index, (cell, ratio) in enumerate(zip(chain.cells, ratios, strict=True), 1):
        yield _blank(f"input {index} {cell.name}", ratio * 1e3, 5, "mV/V")


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
    yield "   The cells may stay on their excitation as this load; then lift S+ only, and S- holds"
    yield "   the source in the middle."
    yield from _source(visit)
    for where in ("at the transmitter", "at the box"):
        yield f"   measured U {where:<18} {BLANK} V before, {BLANK} V after; mV = mV/V times U"
    yield f"   source's minus above Ex- {BLANK} V (expected U/2; if not: stop)"
    yield "      mV/V     set mV    expected mA   up: mA       down: mA     from the box: mA"
    for part in sorted((*UP, *LIMITS)):
        yield _fed_line(chain, part)
    yield "   -5 % and 105 %: what the transmitter holds is expected; no line is tested there"


def _fed_line(chain: Chain, part: float) -> str:
    fed = chain.transmitter.ratio_at_4 + part * chain.span_ratio
    bands = chain.transmitter.bands
    held = min(max(_current(chain, fed), bands.lowest), bands.highest)
    at_box = _current(chain, chain.terminal_ratio(fed))
    told = "" if chain.sensed or part in LIMITS else f" (expected {at_box * 1e3:.3f})"
    start = f"   {fed * 1e3:8.5f}  {SHORT}   {held * 1e3:7.3f}      "
    if part in LIMITS:
        return f"{start} {BLANK}"
    return f"{start} {BLANK} {BLANK} {BLANK}{told}"


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
    yield f"   [ ] 12 to 30 V: sink   [ ] below 0.5 V and loop drawing {BLANK} confirms: source"
    yield "   [ ] anything else: STOP"
    yield "       mA fed    display up      display down    expected kg"
    for milliamps in CURRENTS_MA:
        shown = displayed(milliamps * 1e-3, chain.lower, chain.upper)
        yield f"     {milliamps:6.1f}    {BLANK}    {BLANK}    {shown:10.1f}"
    for milliamps in (3.8, 20.5):
        shown = displayed(milliamps * 1e-3, chain.lower, chain.upper)
        yield f"     {milliamps:6.1f}    {BLANK}                    {shown:10.1f}"
    yield f"   failure values 3.6 mA: {BLANK}   21 mA: {BLANK}   (alarm, substitute value?)"


def _cold(visit: ChainVisit) -> Iterator[str]:
    yield ""
    yield "5. OHMS of each cell at the box: supply off and locked, every lead of that cell lifted"
    yield from _caution(INHIBIT)
    yield from _caution(NO_INSULATION)
    yield f"   volts left between Ex+ and Ex-, before any ohms {BLANK} V (more than 0.05: stop)"
    for index, cell in enumerate(visit.chain.cells, 1):
        yield (
            f"   input {index} {cell.name:<10} Ex+ Ex- {BLANK} ({cell.input_ohms:.1f} expected)"
            f"  S+ S- {BLANK} ({cell.output_ohms:.1f}) ohm"
        )


def _loads(visit: ChainVisit) -> Iterator[str]:
    chain = visit.chain
    per_100 = chain.shown(100.0) - chain.shown(0.0)
    yield ""
    yield "6. KNOWN LOAD and the same weight over each mount"
    yield from _caution(HANGING)
    yield f"   known load {BLANK} kg, display {BLANK} kg, box {BLANK} mV/V, {BLANK} mA"
    yield f"   (expected: {per_100:.2f} kg more on the display for each 100 kg)"
    for index, cell in enumerate(chain.cells, 1):
        yield f"   weight {BLANK} kg over {index} {cell.name:<10} display {BLANK} kg"
    yield "   All mounts must read alike: the total alone does not show an open signal pair."


def _as_left(visit: ChainVisit) -> Iterator[str]:
    chain = visit.chain
    low, span = chain.transmitter.ratio_at_4, chain.span_ratio
    yield ""
    yield "7. ADJUSTED after 1 to 6 (old and new parameters; legal-for-trade seals: the"
    yield f"   authorised body only) {BLANK}{BLANK}{BLANK}"
    for caution in (INHIBIT, LOOP_OPEN, HANGING):
        yield from _caution(caution)
    yield "   AS LEFT: the same once more, as in 2, 3 and 6"
    yield f"   box {BLANK} mV/V   transmitter {BLANK} mV/V   {BLANK} mA   display {BLANK} kg"
    for part in (0.0, 0.5, 1.0):
        fed = low + part * span
        yield _blank(f"{fed * 1e3:.5f} mV/V fed, current", _current(chain, fed) * 1e3, 3, "mA")
    yield f"   test weight {BLANK} kg, display {BLANK} kg"
    for index, cell in enumerate(chain.cells, 1):
        yield f"   weight {BLANK} kg over {index} {cell.name:<10} display {BLANK} kg"


def _restore(_visit: ChainVisit) -> Iterator[str]:
    yield ""
    yield "8. RESTORE; the job is not closed before every box is ticked"
    yield "   (typed in later as [restored] with who and when; in brackets: the key there)"
    for what in (
        "(signal_pairs) signal pairs and cell leads back in the box, terminals tight",
        "(sense_links) sense links as found, and only there; load resistors taken off",
        "(covers) glands and covers closed, desiccant fresh",
        "(loop) mA loop closed, no test lead left",
        "(forced_values) forced values removed, by operations",
        "(inhibits) inhibits removed, by operations, at",
        "(as_left_readings) 7 done, display agrees",
    ):
        yield f"   [ ] {what} {BLANK}"
    yield f"   Signed {BLANK}   Operations accept the system back {BLANK}   Time {BLANK}"

"""Known values in place of what comes before: mV/V for the cells, mA for the transmitter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from acq.analysis.chain import SPAN
from acq.analysis.chain_papers import Kind, Row
from acq.analysis.chain_steps import FLOATING, INHIBIT, LOOP_OPEN, POWER
from acq.bench.connections import Connection
from acq.cells import paper_units as units
from acq.readings.measured import Measured, Uncertain, is_number
from acq.readings.reading import Reading
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from sequences.weighing_chain_work import (
    Work,
    clipped,
    current,
    display,
    excitation_at,
    in_loop,
    lift,
    put_back,
    refuse,
    row,
    typed_number,
    volts,
    whole_again,
)

SOURCE_LIMIT_AMPS = 0.01  # a bridge input draws nothing; a slip shall not feed more than this
SOURCE_LIMIT_VOLTS = 24.0
SKIPPED = "the person went on without it"


@dataclass(frozen=True, slots=True)
class Place:
    """Where mV/V are fed: what is lifted there, and what kind of row comes of it."""

    name: str
    at: str
    wires: tuple[str, ...]
    what: str
    kind: Kind


def places(work: Work) -> tuple[Place, Place]:
    """The transmitter's terminals, and the box end of the home run."""
    pairs = tuple(
        f"cell {k} terminal {lead}"
        for k in range(1, len(work.chain.cells) + 1)
        for lead in ("S+", "S-")
    )
    return (
        Place(
            "transmitter", "transmitter", ("home run S+", "home run S-"),
            "the home run's signal pair at the transmitter; excitation and sense stay, the cells"
            " remain its load", Kind.FED_TERMINALS_SENT,
        ),
        Place(
            "box end of the home run", "box", pairs,
            "the signal pairs of all cells in the box; excitation and sense stay, the cells remain"
            " its load", Kind.FED_BOX_SENT,
        ),
    )  # fmt: skip


def millivolts(work: Work, place: Place, parts: Sequence[float], round_: str) -> None:
    """c10: a ratio of the measured excitation, up and down, mA read at each point."""
    wires = [*place.wires, "loop wire +"]
    with work.run.check(f"mV/V fed, {round_}", place.name) as check:
        if work.pulsed:
            refuse(check, work.pulsed)
            return
        whole_again(work, check, wires)
        if not _source_is_fit(work, check):
            refuse(check, SKIPPED)
            return
        lift(work, check, place.wires, place.what, f"{INHIBIT} {FLOATING}")
        at = excitation_at(work, place.at)
        level = volts(work, check, f"{at}+", f"{at}-", work.chain.terminal_volts)
        if not is_number(level) or level.x < 0.05 * work.chain.terminal_volts:
            refuse(check, "no excitation where the source shall stand in for the cells")
        else:
            ends = (f"{place.at} S+", f"{place.at} S-")
            source = clipped("source +", "source -", *ends)
            with in_loop(work, check, "loop wire +", "transmitter I+", "loop terminal") as loop:
                for part in parts:
                    _point(work, check, place, part, level, source | loop, round_)
                _off(work, check)
        put_back(check, place.wires, place.what)


def _point(
    work: Work, check: Check, place: Place, part: float, level: Uncertain, at: Connection,
    round_: str,
) -> None:  # fmt: skip
    chain = work.chain
    wanted = chain.transmitter.ratio_at_4 + part * chain.span_ratio
    fed = _fed_ratio(work, check, wanted, level, at)
    check.wait(work.plan.settle_s, f"{wanted * 1e3:.5f} mV/V fed, the transmitter settles")
    amperes = current(work, check, at)
    if part in work.plan.feed.limits:  # beyond the range: told with its band, it tests no line
        name = f"{round_}: current at {part:.0%} of span, {_band(work, amperes)}"
        check.finding(name, "dc-current", "A", amperes)
        return
    if is_number(amperes):
        # what the source is off counts as the transmitter's input does
        amperes = amperes - (fed - fed.x) * (SPAN / chain.span_ratio)
    work.keep(row(place.kind, amperes, fed=fed.x))


def _band(work: Work, amperes: Measured) -> str:
    """What the current says by the bands of NE 43."""
    if not is_number(amperes):
        return "no number"
    return work.chain.transmitter.bands.state(amperes.x).value


def _fed_ratio(
    work: Work, check: Check, wanted: float, level: Uncertain, at: Connection
) -> Uncertain:
    """Feed a ratio; returns the one that was fed, by the source's value and the measured U."""
    if linked(work):
        reading = _feed(work, check, "dc-voltage", wanted * level.x, SOURCE_LIMIT_AMPS, at)
        fed = work.run.uncertainties.of(reading)
        assert is_number(fed)
        ratio: Uncertain = fed / level
        return ratio
    text = f"Set your source to {wanted * level.x * 1e3:.5f} mV, output on; type what it shows, mV"
    near = (wanted * level.x - 1e-3, wanted * level.x + 1e-3)
    shown = typed_number(check, text, units.VOLTS, "mV",
                         f"{wanted * level.x * 1e3:.5f} mV", plausible=near)  # fmt: skip
    tools = work.visit.file.instruments.fed_ratio
    u = tools.standard(wanted, units.RATIO)
    known = work.run.uncertainties.shared(f"source by hand at {wanted * 1e3:.5f} mV/V", u)
    by_hand: Uncertain = known + (wanted if shown is None else shown / level.x)
    return by_hand


def _source_is_fit(work: Work, check: Check) -> bool:
    """The source's U against the tolerance, shown before anybody connects it."""
    chain = work.chain
    top = chain.transmitter.ratio_at_20
    u = work.visit.file.instruments.fed_ratio.standard(top, units.RATIO)
    if linked(work):
        accuracy = work.run.accuracy("source", "dc-voltage", None)
        entries = [accuracy] if accuracy else []
        limits = [e.gain_limit * top + e.offset_limit / chain.terminal_volts for e in entries]
        u = max(limits, default=2.0 * u) / 3.0**0.5
    share, allowed = 2.0 * u / abs(chain.span_ratio), chain.tolerances.transmitter
    fit = "fit for it" if 3.0 * share <= allowed.value else "coarse: near a limit it cannot decide"
    text = (
        f"The source: U = {share:.3%} of span at {top * 1e3:.4g} mV/V; allowed are"
        f" {allowed.value:.3%} ({allowed.source}): {fit}"
    )
    return check.ask(Prompt(text=text, choices=("go on", "skip"))) == "go on"


def milliamperes(work: Work) -> None:
    """c11: in place of the transmitter. Open-circuit volts with polarity decide how."""
    wires = ["input wire +", "loop wire -"]
    with work.run.check("mA fed", "control-system input") as check:
        whole_again(work, check, wires)
        lift(work, check, wires, "both loop wires at the control-system input",
             f"{INHIBIT} {LOOP_OPEN} {POWER}")  # fmt: skip
        open_volts = volts(work, check, "input +", "input -", 30.0)
        check.finding("open-circuit voltage of the input", "dc-voltage", "V", open_volts)
        seen = open_volts.x if is_number(open_volts) else None
        kind, because = _direction(work, check, seen)
        if kind:
            _feed_points(work, check, kind)
        else:
            refuse(check, because)
        put_back(check, wires, "both loop wires at the control-system input", LOOP_OPEN)


def _direction(work: Work, check: Check, seen: float | None) -> tuple[str, str]:
    """Return the kind of source to be, or nothing and why."""
    feed = work.plan.feed
    if seen is None:
        return "", "stop: the open input gave no number"
    if feed.sink_from_volts <= seen <= feed.sink_to_volts:
        return "dc-current-sink", ""
    if abs(seen) >= feed.dead_below_volts:
        return "", f"stop: {seen:.2f} V on the open input is neither dead nor a loop supply"
    text = (
        f"{seen:.3f} V on the open input: a passive input, or a dead loop supply. Does the loop"
        " drawing show that this input is passive? Type 'confirmed' or 'no'"
    )
    said = ""
    while said not in ("confirmed", "no"):
        prompt = Prompt(text=text, caution=POWER, choices=(), by_itself="confirmed")
        said = check.ask(prompt).strip().lower()
    if said == "no":
        return "", "stop: the loop drawing does not confirm a passive input"
    return "dc-current", ""


def _feed_points(work: Work, check: Check, kind: str) -> None:
    plan = work.plan.feed
    at = clipped("source +", "source -", "input +", "input -")
    points = list(plan.current_points_ma)
    for milliamps in (*points, *reversed(points[:-1])):
        amps = _fed_amps(work, check, kind, milliamps, at)
        check.wait(work.plan.settle_s, f"{milliamps:g} mA fed, the display settles")
        shown = display(work, check, f"{milliamps:g} mA fed")
        slope = abs(work.chain.span_shown) / SPAN
        u = ((slope * amps.u) ** 2 + work.chain.digit**2 / 12.0) ** 0.5
        work.keep(Row(kind=Kind.FED_CURRENT_SHOWN, value=shown, u=u, fed=amps.x))
    for milliamps in (*plan.current_limits_ma, *plan.failure_ma):
        _fed_amps(work, check, kind, milliamps, at)
        check.wait(work.plan.settle_s, f"{milliamps:g} mA fed, the display settles")
        shown = display(work, check, f"{milliamps:g} mA fed")
        text = f"{milliamps:g} mA: alarm state, substitute value (as shown)"
        alarm = check.ask(Prompt(text=text, choices=(), by_itself="not simulated"))
        check.keep("failure value", f"{milliamps:g} mA", {"display_kg": shown, "alarm": alarm})
    _off(work, check)


def _fed_amps(work: Work, check: Check, kind: str, milliamps: float, at: Connection) -> Uncertain:
    amps = milliamps * 1e-3
    if linked(work):
        reading = _feed(work, check, kind, amps, SOURCE_LIMIT_VOLTS, at)
        fed = work.run.uncertainties.of(reading)
        assert is_number(fed)
        return fed
    how = "sink (2-wire simulation)" if kind.endswith("sink") else "source"
    text = f"Set your source to {how} {milliamps:.3f} mA, output on; type what it shows, mA"
    shown = typed_number(check, text, units.AMPERES, "mA", f"{milliamps:.3f} mA",
                         plausible=(amps - 5e-5, amps + 5e-5))  # fmt: skip
    u = work.visit.file.instruments.fed_current.standard(amps, units.AMPERES)
    known = work.run.uncertainties.shared(f"source by hand at {milliamps:g} mA", u)
    by_hand: Uncertain = known + (amps if shown is None else shown)
    return by_hand


def linked(work: Work) -> bool:
    """Whether the bench has a source that this run can set; else a person does."""
    entry: dict[str, Any] = (
        work.run.journal.lines[0].content["bench"]["instruments"].get("source", {})
    )
    return bool(entry) and not entry.get("by_hand")


def _feed(
    work: Work, check: Check, kind: str, value: float, limit: float, at: Connection
) -> Reading:
    ask = {"at": at.name, "kind": kind, "value": value, "limit": limit}
    got = check.effect("feed", ask, lambda: work.run.bench.feed(kind, value, limit, at).to_json())
    return Reading.from_json(got)


def _off(work: Work, check: Check) -> None:
    if linked(work):
        check.effect("feed", "off", work.run.bench.stop_feeding)
    else:
        check.ask(Prompt(text="Switch your source OFF and take it off."))

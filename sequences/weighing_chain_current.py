"""c11: known mA in place of the transmitter. Open-circuit volts with polarity decide how."""

from __future__ import annotations

from typing import Literal

from acq.analysis.chain import SPAN
from acq.analysis.chain_papers import Kind
from acq.analysis.chain_steps import INHIBIT, LOOP_OPEN, POWER
from acq.readings.measured import is_number
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from sequences.weighing_chain_meters import clipped, volts
from sequences.weighing_chain_plan import Feed
from sequences.weighing_chain_source import feed_amps, off
from sequences.weighing_chain_work import (
    Work,
    display,
    lift,
    put_back,
    refuse,
    shown_row,
    whole_again,
)

OPEN_INPUT_VOLTS = 30.0  # sets the meter's first range only


def milliamperes(work: Work) -> None:
    """Feed live-zero points, limits and failure values; read the display at each."""
    wires = ["input wire +", "loop wire -"]
    what = "both loop wires at the control-system input"
    with work.run.check("mA fed", "control-system input") as check:
        whole_again(work, check, wires)
        lift(work, check, wires, what, f"{INHIBIT} {LOOP_OPEN} {POWER}")
        open_volts = volts(work, check, "input +", "input -", OPEN_INPUT_VOLTS)
        check.finding("open-circuit voltage of the input", "dc-voltage", "V", open_volts)
        seen = open_volts.x if is_number(open_volts) else None
        kind, because = _direction(work, check, seen)
        if kind:
            _feed_points(work, check, kind)
        else:
            refuse(check, because)
        put_back(check, wires, what, LOOP_OPEN)


def decision(seen: float | None, feed: Feed) -> Literal["sink", "ask", "stop"]:
    """What volts on the open input (+ above -, None for no number) allow a source to be.

    A loop supply drives a sink; of a dead input the loop drawing must tell; never anything else.
    """
    if seen is None:
        return "stop"
    if feed.sink_from_volts <= seen <= feed.sink_to_volts:
        return "sink"
    return "ask" if abs(seen) < feed.dead_below_volts else "stop"


def _direction(work: Work, check: Check, seen: float | None) -> tuple[str, str]:
    """Return the kind of source to be, or nothing and why."""
    allowed = decision(seen, work.plan.feed)
    if allowed == "sink":
        return "dc-current-sink", ""
    if allowed == "stop":
        found = "no number" if seen is None else f"{seen:.2f} V"
        return "", f"stop: {found} on the open input is neither dead nor a loop supply"
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
    slope = work.chain.span_shown / SPAN
    way = [(each, False) for each in points] + [(each, True) for each in reversed(points[:-1])]
    for milliamps, falling in way:
        amps = feed_amps(work, check, kind, milliamps, at)
        check.wait(work.plan.settle_s, f"{milliamps:g} mA fed, the display settles")
        shown = display(work, check, f"{milliamps:g} mA fed")
        # what the source is off counts as the input does
        source = (amps - amps.x) * -slope
        work.keep(shown_row(work, Kind.FED_CURRENT_SHOWN, shown, source, fed=amps.x,
                            falling=falling))  # fmt: skip
    for milliamps in (*plan.current_limits_ma, *plan.failure_ma):
        feed_amps(work, check, kind, milliamps, at)
        check.wait(work.plan.settle_s, f"{milliamps:g} mA fed, the display settles")
        shown = display(work, check, f"{milliamps:g} mA fed")
        text = f"{milliamps:g} mA: alarm state, substitute value (as shown)"
        alarm = check.ask(Prompt(text=text, choices=(), by_itself="not simulated"))
        check.keep("failure value", f"{milliamps:g} mA", {"display_kg": shown, "alarm": alarm})
    off(work, check)

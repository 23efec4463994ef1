"""The wiggle test: a fast log of a pair while the cable is flexed and the body tapped."""

from __future__ import annotations

from dataclasses import replace

from acq.analysis.leads import LeadPair
from acq.bench.bench import Request, Watched
from acq.readings.measured import Bound, Measured, is_number
from acq.readings.reading import Reading
from acq.readings.rules import Limit
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from sequences.acceptance_plan import AcceptancePlan, Wiggle
from sequences.clips import one_clip_on
from sequences.diagnosis import Seen
from sequences.ohms import FAR_BEYOND, expected_ohms

PLACES = {
    "gland": "flex the cable at the gland",
    "cable": "flex the cable every half metre along its length",
    "body": "tap the body lightly",
}


NOISE_PEAKS = 4.0  # peak to peak of some tens of readings, in standard deviations


def wiggle(run: Run[AcceptancePlan], seen: Seen) -> None:
    """Log each pair of the plan at each place; the largest change and its place are findings."""
    plan = run.plan.wiggle
    if plan is None:
        return
    pairs = [pair for text in plan.pairs if (pair := LeadPair.read(text)) in seen.pairs]
    # what is far beyond its papers is no joint, and its range too coarse to see one
    pairs = [pair for pair in pairs if _near(run, pair, seen)]
    for number, pair in enumerate(pairs):
        with run.connected(one_clip_on(seen, pair)), run.check("wiggle test", pair) as check:
            by_eye = run.by_hand("dmm")
            if number == 0:
                check.ask(_prompt(plan, len(pairs), by_eye=by_eye))
            request = _fast(run, check, plan, pair)
            for place in plan.places:
                if by_eye:
                    seen_by_eye = _watched(check, request, plan, place)
                    _place(run, check, seen, plan, pair, place, seen_by_eye)
                    continue
                check.wait(1.0, f"now {PLACES[place]}, for {plan.seconds:g} s ({pair} is logged)")
                _place(run, check, seen, plan, pair, place, _log(check, request, plan))


def _near(run: Run[AcceptancePlan], pair: LeadPair, seen: Seen) -> bool:
    measured = seen.pairs[pair]
    return is_number(measured) and measured.x < FAR_BEYOND * expected_ohms(run.cell, pair)


def _prompt(plan: Wiggle, pairs: int, *, by_eye: bool) -> Prompt:
    every = ", then ".join(PLACES[place] for place in plan.places)
    again = "" if pairs == 1 else f"; {pairs} times over, for {pairs} pairs of leads"
    watch = " Watch the meter meanwhile, or let it keep its minimum and maximum." if by_eye else ""
    return Prompt(
        text=f"Wiggle test, {plan.seconds:g} s at each place: {every}{again}.{watch} The screen"
        " says when. Begin?",
        caution="Move nothing that hangs or carries a load; stop if a weld seam moves.",
        choices=("begin",),
    )


def _fast(run: Run[AcceptancePlan], check: Check, plan: Wiggle, pair: LeadPair) -> Request:
    """The request in the range that holds the pair, without offset compensation: it is slow."""
    for range_ in run.ranges("dmm", "resistance", at_least=1.05 * expected_ohms(run.cell, pair)):
        request = Request(quantity="resistance", range_=range_, plc=plan.power_line_cycles)
        if check.read(request).is_number:
            break
    return request


def _watched(check: Check, request: Request, plan: Wiggle, place: str) -> list[Reading]:
    """The lowest and the highest that a person saw: nobody types as fast as a joint moves."""
    lowest = Watched(extreme="lowest", doing=PLACES[place], seconds=plan.seconds)
    highest = Watched(extreme="highest", doing=PLACES[place], seconds=0.0)
    return [check.read(replace(request, watched=each)) for each in (lowest, highest)]


def _log(check: Check, request: Request, plan: Wiggle) -> list[Reading]:
    """Read for the plan's seconds of bench time."""
    taken: list[Reading] = []
    while not taken or taken[-1].ended_ns - taken[0].started_ns < plan.seconds * 1e9:
        taken.append(check.read(request))
        if plan.every_s:
            check.wait(plan.every_s, "fast log")
    return taken


def _place(
    run: Run[AcceptancePlan],
    check: Check,
    seen: Seen,
    plan: Wiggle,
    pair: LeadPair,
    place: str,
    taken: list[Reading],
) -> None:
    """Judge the largest change at one place."""
    change = _change(run, taken)
    # beyond what the noise of so many readings makes: the diagnosis knows the cell, not the meter
    noise = NOISE_PEAKS * _noise(run, taken[0])
    size = change.value if isinstance(change, Bound) else max(0.0, change.x - noise)
    seen.flexing[place] = max(seen.flexing.get(place, 0.0), size)
    check.finding(
        seen.named(f"{pair} while flexing, {place}, max - min"),
        "resistance",
        "ohm",
        change,
        [Limit(None, plan.jump_ohms, "ohm", plan.source)],
        rule="simple acceptance",
        share=None,
        marks=(_how(run, plan, taken),),
    )


def _change(run: Run[AcceptancePlan], taken: list[Reading]) -> Measured:
    """Return max - min with the noise of two readings: what both have in common cancels."""
    values = [each.value for each in taken if each.is_number and each.value is not None]
    if len(values) < len(taken):
        return Bound(taken[0].range_ or max(values, default=0.0), "above")
    noise = _noise(run, taken[0])
    spread = run.uncertainties.fresh("noise of two readings", noise * 2.0**0.5)
    change: Measured = max(values) - min(values) + spread
    return change


def _noise(run: Run[AcceptancePlan], first: Reading) -> float:
    """Return the standard deviation of one reading of the fast log, ohm."""
    accuracy = run.accuracy(first.instrument, first.quantity, first.range_)
    if accuracy is None or not first.plc:
        return 0.0
    return float(accuracy.noise * (accuracy.noise_plc / first.plc) ** 0.5)


def _how(run: Run[AcceptancePlan], plan: Wiggle, taken: list[Reading]) -> str:
    if run.by_hand("dmm"):
        return f"lowest and highest by eye in {plan.seconds:g} s"
    return f"{len(taken)} readings in {_seconds(taken):.0f} s"


def _seconds(taken: list[Reading]) -> float:
    return (taken[-1].ended_ns - taken[0].started_ns) / 1e9

"""Meters on the terminals of a plant: volts, mV/V, the loop's current, and the three at one moment.

With a second multimeter the two readings of a pair start together. With one the quantity that
must not have moved is read before and after, and what it moved meanwhile is uncertainty.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from acq.analysis.chain_steps import LOOP_OPEN
from acq.bench.bench import Request
from acq.bench.connections import NOTHING, Connection, Join, PlantTerminal
from acq.readings.measured import Measured, Uncertain, is_number
from acq.readings.reading import Reading
from acq.runs.check import Check
from sequences.weighing_chain_work import Work, display, lift, moment, put_back

SECOND = "second-dmm"
LARGEST_SIGNAL = 3e-3  # V/V: sets the meter's first range only, a larger signal goes one up
LARGEST_LOOP = 0.0215  # A: likewise


def two_meters(work: Work) -> bool:
    """Whether the bench has a second multimeter."""
    return work.run.has(SECOND)


def clipped(high: str, low: str, plus: str, minus: str) -> Connection:
    """Two terminals of an instrument on two of the plant."""
    joins = frozenset({Join(high, PlantTerminal(plus)), Join(low, PlantTerminal(minus))})
    return Connection(f"{plus} to {minus}", joins)


def meter(plus: str, minus: str, role: str = "dmm") -> Connection:
    """A meter on two terminals of the plant."""
    return clipped(f"{role} HI", f"{role} LO", plus, minus)


def read(work: Work, check: Check, request: Request, at: Connection) -> Reading:
    """Take one reading with exactly this connection made."""
    ask = {"at": at.name, "quantity": request.quantity, "range": request.range_}
    if request.role != "dmm":
        ask["role"] = request.role
    got = check.effect("read", ask, lambda: work.run.bench.read(request, at).to_json())
    return Reading.from_json(got)


def volts(
    work: Work, check: Check, plus: str, minus: str, expected: float,
    quantity: str = "dc-voltage", *, role: str = "dmm", beside: Connection = NOTHING,
) -> Measured:  # fmt: skip
    """Return the mean voltage between two terminals, in the smallest range that holds it.

    `beside` stays joined meanwhile.
    """
    own = meter(plus, minus, role)
    at = own if beside is NOTHING else own | beside
    for request in _requests(work, quantity, expected, role):
        first = read(work, check, request, at)
        if first.is_number:
            more = [read(work, check, request, at) for _ in range(work.plan.readings - 1)]
            return work.run.uncertainties.mean([first, *more])
    return work.run.uncertainties.mean([first])


def _requests(work: Work, quantity: str, expected: float, role: str) -> list[Request]:
    ranges = work.run.ranges(role, quantity, 1.05 * abs(expected))
    plc = work.plan.power_line_cycles
    return [Request(quantity=quantity, role=role, range_=range_, plc=plc) for range_ in ranges]


def excitation_at(work: Work, place: str) -> str:
    """Terminals whose voltage the signal at this place is referred to."""
    return "transmitter Se" if place == "transmitter" and work.chain.sensed else f"{place} Ex"


def ratio(work: Work, check: Check, signal: str, excitation: str) -> Measured:
    """Return signal over excitation, V/V: together, or U before and after the signal."""
    ends = f"{excitation}+", f"{excitation}-"
    if two_meters(work):
        return _ratio_together(work, check, signal, ends)
    before = volts(work, check, *ends, work.chain.terminal_volts)
    expected = LARGEST_SIGNAL * work.chain.terminal_volts
    millivolts = volts(work, check, f"{signal} S+", f"{signal} S-", expected)
    after = volts(work, check, *ends, work.chain.terminal_volts)
    return over(work, millivolts, before, after)


def _ratio_together(work: Work, check: Check, signal: str, ends: tuple[str, str]) -> Measured:
    level = _requests(work, "dc-voltage", work.chain.terminal_volts, SECOND)[0]
    at = meter(f"{signal} S+", f"{signal} S-") | meter(*ends, SECOND)
    expected = LARGEST_SIGNAL * work.chain.terminal_volts
    for request in _requests(work, "dc-voltage", expected, "dmm"):
        pairs = [check.read_together([request, level], at)]
        if pairs[0][0].is_number:
            break
    pairs += [check.read_together([request, level], at) for _ in range(work.plan.readings - 1)]
    found = [work.run.uncertainties.mean([pair[place] for pair in pairs]) for place in (0, 1)]
    return over(work, found[0], found[1], found[1])


def over(work: Work, millivolts: Measured, before: Measured, after: Measured) -> Measured:
    """Return signal over the mean of two excitations; what these differ is rectangular."""
    if not (is_number(before) and is_number(after)):
        return before if not is_number(before) else after
    if not is_number(millivolts):
        return millivolts
    level = (before + after) / 2.0
    if not abs(level.x) > 0.0:
        return millivolts
    found: Uncertain = millivolts / level
    moved = abs((after.x - before.x) / level.x)
    return drifted(work, found, moved * abs(found.x), "excitation moved between two readings")


def drifted(work: Work, measured: Uncertain, moved: float, why: str) -> Uncertain:
    """Return it with what it moved between two readings, anywhere in between (rectangular)."""
    found: Uncertain = measured + work.run.uncertainties.fresh(f"drift: {why}", moved / 12.0**0.5)
    return found


@contextmanager
def in_loop(
    work: Work, check: Check, wire: str, plus: str, minus: str, beside: Connection = NOTHING
) -> Iterator[Connection]:
    """The meter in the loop: clipped across the wire first, then the wire lifted, so that it
    never opens; the wire back before the clips move. `beside` is joined before and stays.
    """
    at = meter(plus, minus)
    # set to mA where it still hangs, its burden would short what it was measuring
    clips_off(work, check, beside)
    read(
        work, check, milliamps(work), at if beside is NOTHING else at | beside
    )  # sets the meter to mA before the wire is lifted
    lift(work, check, [wire], f"{wire}: the meter (mA) across it now carries the loop", LOOP_OPEN)
    yield at
    put_back(check, [wire], f"{wire}, before the meter's clips move", LOOP_OPEN)
    clips_off(work, check)


def clips_off(work: Work, check: Check, stays: Connection = NOTHING) -> None:
    """Take every clip off but those that stay: before a meter gets another function."""
    check.effect("clips off", stays.name, lambda: work.run.bench.connect(stays))


def milliamps(work: Work) -> Request:
    """The request for a loop current."""
    range_ = work.run.ranges("dmm", "dc-current", LARGEST_LOOP)[0]
    return Request(quantity="dc-current", range_=range_, plc=work.plan.power_line_cycles)


def size(current: Measured) -> Measured:
    """Return a loop current's size: a 2-wire loop flows the other way round."""
    return -current if is_number(current) and current.x < 0.0 else current


def current(work: Work, check: Check, at: Connection) -> Measured:
    """Return the mean loop current, A."""
    taken = [read(work, check, milliamps(work), at) for _ in range(work.plan.readings)]
    return size(work.run.uncertainties.mean(taken))


def with_volts(
    work: Work, check: Check, at: Connection, ends: tuple[str, str], expected: float
) -> tuple[Measured, Measured]:
    """Return the loop's current and a voltage by the second meter, started together."""
    joined = at | meter(*ends, SECOND)
    for other in _requests(work, "dc-voltage", expected, SECOND):
        pairs = [check.read_together([milliamps(work), other], joined)]
        if pairs[0][1].is_number:
            break
    more = range(work.plan.readings - 1)
    pairs += [check.read_together([milliamps(work), other], joined) for _ in more]
    mean = work.run.uncertainties.mean
    return size(mean([pair[0] for pair in pairs])), mean([pair[1] for pair in pairs])


@dataclass(frozen=True, slots=True, kw_only=True)
class Triplet:
    """mV/V, mA and the displayed value of one moment, and how they hang together in time."""

    ratio: Measured | None
    current: Measured
    shown: float | None
    told: str


def triplet(work: Work, check: Check, name: str) -> Triplet:
    """c9: mV/V at the transmitter, mA there and the display, as near to one moment as can be.

    The display is read between two readings of what the meters see; what these moved is
    uncertainty. The time of each is kept.
    """
    ends = tuple(f"{excitation_at(work, 'transmitter')}{sign}" for sign in "+-")
    return _by_two(work, check, name, ends) if _both(work) else _by_one(work, check, name, ends)


def _both(work: Work) -> bool:
    return two_meters(work) and not work.pulsed


def _by_two(work: Work, check: Check, name: str, ends: tuple[str, ...]) -> Triplet:
    level, signal = work.chain.terminal_volts, ("transmitter S+", "transmitter S-")
    largest = LARGEST_SIGNAL * level
    with in_loop(work, check, "loop wire +", "transmitter I+", "loop terminal") as at:
        check.wait(work.plan.settle_s, "the meter's burden settles")
        before = volts(work, check, ends[0], ends[1], level, role=SECOND, beside=at)
        first = (*with_volts(work, check, at, signal, largest), moment(work, check))
        shown = display(work, check, name)
        seen = moment(work, check)
        last = (*with_volts(work, check, at, signal, largest), moment(work, check))
        after = volts(work, check, ends[0], ends[1], level, role=SECOND, beside=at)
    amps, amps_moved = _between(work, first[0], last[0], "current moved while the display was read")
    signal_, signal_moved = _between(work, first[1], last[1], "signal moved meanwhile")
    found = over(work, signal_, before, after)
    told = (
        f"mV and mA started together, done {_s(first[2], seen)} s before and {_s(seen, last[2])} s"
        f" after the display was read; moved meanwhile: {abs(amps_moved) * 1e3:.4f} mA,"
        f" {abs(signal_moved) * 1e3:.5f} mV"
    )
    times = {"first pair": 0.0, "display": _s(first[2], seen), "last pair": _s(first[2], last[2])}
    _keep(check, name, times, found, amps, shown)
    return Triplet(ratio=found, current=amps, shown=shown, told=told)


def _by_one(work: Work, check: Check, name: str, ends: tuple[str, ...]) -> Triplet:
    """One meter: mV/V, then mA with the display between two readings, then mV/V again."""
    excitation = ends[0].removesuffix("+")
    low = None if work.pulsed else ratio(work, check, "transmitter", excitation)
    start = moment(work, check)
    with in_loop(work, check, "loop wire +", "transmitter I+", "loop terminal") as at:
        check.wait(work.plan.settle_s, "the meter's burden settles")
        first = current(work, check, at)
        began = moment(work, check)
        shown = display(work, check, name)
        seen = moment(work, check)
        last = current(work, check, at)
    high = None if work.pulsed else ratio(work, check, "transmitter", excitation)
    again = moment(work, check)
    amps, amps_moved = _between(work, first, last, "current moved while the display was read")
    found, told = None, ""
    if low is not None and high is not None:
        why = "mV/V moved between before and after mA and display"
        found, moved = _between(work, low, high, why)
        told = (
            f"one meter: mV/V {_s(start, seen)} s before and {_s(seen, again)} s after the display"
            f" was read, moved meanwhile: {abs(moved) * 1e3:.5f} mV/V; "
        )
    told += (
        f"mA from {_s(began, seen)} s before to just after the display, moved meanwhile:"
        f" {abs(amps_moved) * 1e3:.4f} mA"
    )
    times = {"mV/V": 0.0, "mA": _s(start, began), "display": _s(start, seen)}
    _keep(check, name, times | {"mV/V again": _s(start, again)}, found, amps, shown)
    return Triplet(ratio=found, current=amps, shown=shown, told=told)


def _between(work: Work, first: Measured, last: Measured, why: str) -> tuple[Measured, float]:
    """Return the mean of two readings with what it moved from one to the other, and that."""
    if not (is_number(first) and is_number(last)):
        return (first if not is_number(first) else last), 0.0
    moved = last.x - first.x
    return drifted(work, (first + last) / 2.0, abs(moved), why), moved


def _s(earlier: int, later: int) -> float:
    return round((later - earlier) / 1e9, 2)


def _keep(
    check: Check, name: str, seconds: dict[str, float], ratio_: Measured | None,
    amps: Measured, shown: float | None,
) -> None:  # fmt: skip
    """Keep the three values and the seconds at which each had been read, from the first on."""
    values = {
        "mV/V": ratio_.x * 1e3 if ratio_ is not None and is_number(ratio_) else None,
        "mA": amps.x * 1e3 if is_number(amps) else None,
        "display_kg": shown,
    }
    check.keep("triplet", name, values | {"seconds": seconds})

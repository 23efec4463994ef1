"""Whether the proof of off in a dialect can fail: a proof that also fits "on" proves nothing."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from drivers.dialect_parts import OnOff, Step
from drivers.pattern_samples import samples
from drivers.reply import NotThisReplyError, ReplyShape
from drivers.scpi import parse_number

if TYPE_CHECKING:
    from drivers.dialect import Dialect

_OPPOSITES = (
    ("0", "1"), ("OFF", "ON"), ("Off", "On"), ("off", "on"),
    ("0.0", "18.0"), ("+0.000E+00", "+1.800E+01"),
)  # fmt: skip


def why_it_proves_nothing(dialect: Dialect) -> str:
    """Return what is wrong with the proof of off, or nothing."""
    if dialect.safe_off is None:
        return ""
    proven = False
    for place, step in enumerate(dialect.safe_off.proof):
        if step.reply is None:
            continue
        where = f"safe_off.proof.{place}"
        if "value" in step.reply.groups:
            if step.below is None:
                return f"{where}: a number proves off only with `below`: any volts would do"
            proven = True
        elif said := _fits_on(dialect, step, step.reply):
            if not step.reply.groups & dialect.options.keys():
                return f"{where}: reply {step.reply.pattern!r} proves nothing: {said}"
        else:
            proven = True  # and what only names its output, beside it, is welcome
    return "" if proven else "safe_off.proof: no step of it asks whether it is off"


def _fits_on(dialect: Dialect, step: Step, reply: ReplyShape) -> str:
    for off, on in _OPPOSITES:
        if _fits(reply, off) and _fits(reply, on):
            return f"it fits {off!r} and {on!r}"
    for text in _said_when_on(dialect, step):
        if _fits(reply, text):
            return f"it fits {text!r} too, which this dialect takes for on"
    return ""


def _fits(reply: ReplyShape, text: str) -> bool:
    try:
        reply.match(text)
    except NotThisReplyError:
        return False
    return True


def _said_when_on(dialect: Dialect, step: Step) -> Iterator[str]:
    """Yield what the same question is answered by while it is on, as the dialect itself has it."""
    for words in (dialect.supply, *dialect.source.values()):
        if words is not None and words.state is not None and words.state.ask == step.ask:
            yield from _on_of(words.state)
        if words is not None and words.on:
            yield from _read_back(words.on[-1], step)
    if dialect.insulation is not None:
        yield from _read_back(dialect.insulation.start[-1], step)
        yield from _testing(dialect, step)
    if dialect.scanner is not None and dialect.scanner.closed == step.ask:
        yield from _closed(dialect)


def _read_back(told: Step, step: Step) -> Iterator[str]:
    """What is read back after switching on."""
    if told.reply is not None and (told.ask, told.listen) == (step.ask, step.listen):
        yield from samples(told.reply.expression)


def _on_of(state: OnOff) -> Iterator[str]:
    for text in samples(state.reply.expression):
        groups = state.reply.match(text)
        if state.bit is None:
            if "on" in groups:
                yield text
            continue
        try:
            number = int(parse_number(groups["value"]))
        except (KeyError, ValueError):
            continue
        if number >> state.bit & 1:
            yield text


def _testing(dialect: Dialect, step: Step) -> Iterator[str]:
    """The states and lines of an insulation tester that measures, or is about to."""
    reading = dialect.quantities["insulation-resistance"].reading
    if reading.by == "stream" and step.listen:
        yield from samples(reading.reply.expression)
    for proof in reading.prove:
        yield from _read_back(proof, step)
    state = reading.state
    if state is None or state.ask != step.ask:
        return
    on = {*state.ready, *state.busy}
    for text in (*on, *samples(state.reply.expression)):
        if _fits(state.reply, text) and state.reply.match(text).get("state") in on:
            yield text


def _closed(dialect: Dialect) -> Iterator[str]:
    """What a scanner with a closed relay answers."""
    assert dialect.scanner is not None
    words = dialect.scanner
    if words.closed_by == "each":
        asked = min(len(words.channels), words.most_per_command)
        yield ",".join(["1", *["0"] * (asked - 1)])
        return
    channel = words.channel_form.format(channel=101, card=1, place=1)
    for text in (channel, words.list_form.format(channels=channel)):
        if _fits(words.closed_reply, text):
            yield text

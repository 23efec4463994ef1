"""A dialect on one page: what is sent, with example values, and what its writer should look at.

No I/O. For `bridgebench dialect check`: a person holds it beside the instrument's manual.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from drivers.dialect import ENERGY, Dialect
from drivers.dialect_parts import Step
from drivers.template import CannotSayError, Given, ValueFormat, fill

_EXAMPLES: dict[str, Given] = {
    "volts": 5.0, "amps_limit": 0.02, "protection_volts": 6.0, "remote_sense": True,
    "range": 1.0, "automatic": True, "plc": 10.0, "offset_compensation": True,
    "resolution": 1e-6, "count": 100.0, "automatic_zero": False,
    "value": 0.01, "limit": 0.02, "list": "(@101,205)",
}  # fmt: skip
_TEST_VOLTS: Mapping[str, Given] = {"volts": 50.0}


def sent_lines(dialect: Dialect) -> Iterator[tuple[str, str, str]]:
    """Yield (place, what is sent, what is awaited) for everything in the file, as it would be."""
    for place, ask, reply in dialect.questions():
        yield place, _shown(dialect, ask, {}) if ask else "(listens)", reply.pattern
    for word in (*dialect.serial.remote, *dialect.serial.local):
        yield "serial", word, ""
    for place, step in dialect.all_steps():
        yield from _step_lines(dialect, place, step)
    for template in dialect.safe_off.tell if dialect.safe_off else ():
        yield "safe_off.tell", _shown(dialect, template, {}), ""
    for name, quantity in dialect.quantities.items():
        reading = quantity.reading
        place = f"quantities.{name}.reading"
        for asked in (reading.ask, reading.fetch, reading.confirm):
            if asked is not None:
                yield place, _shown(dialect, asked, quantity.values), reading.reply.pattern
        if reading.by == "stream":
            yield place, "(listens)", reading.reply.pattern
        if quantity.block is not None:
            for asked in filter(None, (quantity.block.fetch, quantity.block.again)):
                shown = _shown(dialect, asked, quantity.values)
                yield f"quantities.{name}.block", shown, f"(a block, {quantity.block.form})"
    if dialect.scanner is not None:
        scanner = dialect.scanner
        for told in filter(None, (scanner.close, scanner.open, scanner.open_all)):
            yield "scanner", _shown(dialect, told, {}), ""


def _step_lines(dialect: Dialect, place: str, step: Step) -> Iterator[tuple[str, str, str]]:
    name = place.split(".")[1] if "." in place else ""
    own = {**dialect.values}
    if name in dialect.quantities:
        own |= dialect.quantities[name].values
    if name in dialect.source:
        own |= dialect.source[name].values
    if step.tell is not None:
        yield place, _shown(dialect, step.tell, own), ""
    if step.reply is not None:
        asked = "(listens)" if step.ask is None else _shown(dialect, step.ask, own)
        yield place, asked, step.reply.pattern


def _shown(dialect: Dialect, template: str, own: Mapping[str, ValueFormat]) -> str:
    formats = {**dialect.values, **own}
    try:
        examples = {**_EXAMPLES, **(_TEST_VOLTS if dialect.role == "insulation" else {})}
        return fill(template, {**examples, **dialect.options}, formats)
    except CannotSayError as error:
        return f"{template} ({error})"


def remarks(dialect: Dialect) -> Iterator[str]:
    """Yield what the file allows and its writer may not have meant."""
    if dialect.identification is None:
        yield "no [identification]: another instrument on this port would not be noticed"
    if dialect.errors is None and dialect.acknowledgement is None and not dialect.link.free_running:
        yield "neither [errors] nor acknowledgement: a refused setting shows only by reading back"
    for place, step in dialect.all_steps():
        sets = step.tell is not None and not place.startswith(("start_up", "shut_down"))
        if sets and not step.proves and not _state_follows(dialect, place):
            yield f"{place}: {step.tell!r} is told and never read back"
    insulation = dialect.insulation
    if insulation is not None and not insulation.is_told and insulation.applied is None:
        yield "insulation: volts are neither told nor measured (applied): a wrong one shows nowhere"
    if dialect.link.longest_reply_s < 0.05:
        yield "link.longest_reply_s is very short: after it nothing late may come any more"
    if dialect.role in ENERGY and dialect.role != "scanner" and not _measured_off(dialect):
        yield "safe_off.proof asks for a state only; a measured voltage would prove more"


def _state_follows(dialect: Dialect, place: str) -> bool:
    """A switch is proven by the state that is asked after it, a stop by the proof of off."""
    if place.endswith((".on", ".off", ".stop")):
        return True
    if place == "insulation.start":
        return any(quantity.reading.state for quantity in dialect.quantities.values())
    return place.endswith("reading.begin")


def _measured_off(dialect: Dialect) -> bool:
    return dialect.safe_off is not None and any(step.below for step in dialect.safe_off.proof)

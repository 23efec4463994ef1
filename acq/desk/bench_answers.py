"""Single answers about a bench: typed text in, checked value out, or why not.

Each reader raises ValueError that says what is allowed; `until_right` asks again with it.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import click

from acq.bench.instruments import kinds_of
from acq.bench.relay_file import Relay, Reversal
from drivers.by_hand import parse_typed
from drivers.dialect import load_dialect
from drivers.written_file import FileError, check

HAND = "hand"
WHO = "?"


def text(asked: str, default: str) -> str:
    """Return what is typed; the default for Return alone."""
    typed: str = click.prompt(asked, default=default, show_default=bool(default), err=True)
    return typed.strip()


def until_right(asked: str, read: Callable[[str], Any], default: Any) -> Any:
    """Return what `read` makes of the answer, `default` for a blank; asked again with why."""
    while True:
        shown = default if isinstance(default, str) else ""
        typed = text(asked, shown)
        if not typed:
            return default
        try:
            return read(typed)
        except ValueError as error:
            click.echo(f"  {error}", err=True)


def resource(text: str) -> str:
    """A VISA resource name, or that a person reads it."""
    if text == WHO:
        from drivers.finding import serial_ports

        ports = "; ".join(port.resource for port in serial_ports()) or "none"
        raise ValueError(f"serial ports here: {ports}; a network name: TCPIP0::HOST::PORT::SOCKET")
    if text.lower() == HAND or "::" in text:
        return text.lower() if text.lower() == HAND else text
    raise ValueError(f"such as TCPIP0::HOST::PORT::SOCKET, ASRL/dev/ttyUSB0::INSTR, or {HAND}")


def dialect(text: str, role: str, folder: Path) -> str:
    """A shipped dialect or a file, for this role."""
    try:
        dialect = load_dialect(text, folder)
    except FileError as error:
        raise ValueError(str(error)) from None
    if dialect.role not in kinds_of(role):
        raise ValueError(f"{text} is for a {dialect.role}")
    return text


def pattern(text: str) -> str:
    """A regular expression, or the wish to ask the instrument."""
    if text == WHO:
        return text
    try:
        re.compile(text)
    except re.error as error:
        raise ValueError(f"is no regular expression: {error}") from None
    return text


def zone(text: str) -> str:
    """A time zone of the IANA database."""
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        raise ValueError(f"no time zone {text!r}") from None
    return text


def relay(text: str) -> dict[str, Any]:
    """One relay: channel, terminal, lead; `position N` after them for a further fixture."""
    joins, _, position = text.partition(" position ")
    channel, _, rest = joins.strip().partition(" ")
    terminal, _, lead = rest.strip().rpartition(" ")
    if not channel.isdigit() or not terminal or not (position or "1").strip().isdigit():
        raise ValueError(
            "a channel number, a terminal and a lead, such as 101 dmm HI Ex+, or"
            " 2101 dmm HI Ex+ position 2 for a second fixture"
        )
    relay: dict[str, Any] = {"channel": int(channel), "terminal": terminal.strip(), "lead": lead}
    if position:
        relay["position"] = int(position)
    try:
        check("relay", relay, Relay)
    except FileError as error:
        raise ValueError(error.reason) from None
    return relay


def reversal(text: str) -> dict[str, Any]:
    """One reversal relay: channel, pairs of terminals."""
    channel, _, rest = text.strip().partition(" ")
    pairs = [[name.strip() for name in pair.split("/")] for pair in rest.split(",")]
    if not channel.isdigit() or not all(len(pair) == 2 for pair in pairs):
        raise ValueError("a channel number and pairs, such as 190 supply + / supply -")
    table = {"channel": int(channel), "exchanges": pairs}
    try:
        check("reversal", table, Reversal)
    except FileError as error:
        raise ValueError(error.reason) from None
    return table


def channels(text: str) -> list[int]:
    """Channel numbers."""
    numbers = text.replace(",", " ").split()
    if len(numbers) < 2 or not all(number.isdigit() for number in numbers):
        raise ValueError("two channel numbers or more, such as 101 102")
    return [int(number) for number in numbers]


def point(unit: str) -> Callable[[str], dict[str, float]]:
    """Return the reader of one line of a calibration certificate."""

    def read(text: str) -> dict[str, float]:
        parts = [part.strip() for part in text.split(";" if ";" in text else ",")]
        if len(parts) != 3:
            raise ValueError("three values between semicolons, such as 10 mV; -0.2 uV; 0.6 uV")
        values = [parse_typed(part, unit) for part in parts]
        if any(value is None or limit is not None for value, limit in values):
            raise ValueError("three numbers are needed")
        at, correction, expanded = (float(value or 0.0) for value, _ in values)
        if expanded < 0.0:
            raise ValueError("an uncertainty is not negative")
        return {"at": at, "correction": correction, "expanded_uncertainty": expanded}

    return read


def day(text: str) -> date:
    """A date."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError("a date is needed, YYYY-MM-DD") from None


def needed(asked: str, read: Callable[[str], Any]) -> Any:
    """Return the answer to what cannot be left out: a blank is asked again."""
    while (answer := until_right(asked, read, None)) is None:
        click.echo("  this cannot be left out", err=True)
    return answer


def si(unit: str) -> Callable[[str], float]:
    """Return the reader of a number above 0 with an optional unit and prefix."""

    def read(text: str) -> float:
        value, limit = parse_typed(text, unit)
        if value is None or limit is not None or value <= 0.0:
            raise ValueError("a number above 0 is needed")
        return value

    return read


def span(text: str) -> dict[str, float]:
    """Temperatures for which an accuracy holds, 23 ± 5."""
    middle, sign, half = re.sub(r"\+/-|\+-", "±", text).replace(",", ".").partition("±")
    digits = re.sub(r"[^\d.+-]", "", half)
    if not sign or not digits:
        raise ValueError("such as 23 ± 5")
    return {
        "reference_temperature": float(re.sub(r"[^\d.+-]", "", middle)),
        "reference_span": float(digits),
    }


def one_of(text: str, known: tuple[str, ...]) -> str:
    """One of the known words."""
    if text not in known:
        raise ValueError(f"one of {', '.join(known)}")
    return text


def positive(text: str) -> float:
    """A number above 0."""
    number = float(text.replace(",", "."))
    if not 0.0 < number < float("inf"):
        raise ValueError("a number above 0 is needed")
    return number

"""`bridgebench dialect check | try`: a new instrument on the first morning."""

from __future__ import annotations

import json

import click

from acq.desk.exit_codes import ExitCode
from acq.desk.numbers import NUMBER, POSITIVE

_ELSE = {"scanner": "open and close channels", "supply": "give volts, read neither of its meters"}
_CAUTION = (
    "Caution: --on applies a voltage or current. Disconnect the cell and everything that can be "
    "hurt, keep hands off bare leads, and follow your local rules for live work."
)


@click.group()
def dialect() -> None:
    """Check a dialect file, or try it on the instrument itself."""


@dialect.command()
@click.argument("file")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def check(file: str, as_json: bool) -> None:
    """Check FILE (a shipped name, or a path ending in .toml) and show what would be sent."""
    from drivers.dialect import load_dialect
    from drivers.dialect_sheet import remarks, sent_lines

    found = load_dialect(file)
    document = {
        "dialect": file,
        "role": found.role,
        "about": found.about,
        "can": sorted(found.capabilities),
        "cannot": list(found.absent),
        "sent": [
            {"place": place, "sent": sent, "awaited": awaited}
            for place, sent, awaited in sent_lines(found)
        ],
        "remarks": list(remarks(found)),
    }
    if as_json:
        click.echo(json.dumps(document, indent=2))
        return
    click.echo(f"{file}: {found.about} (role {found.role})")
    click.echo(f"can: {', '.join(sorted(found.capabilities)) or _ELSE.get(found.role, 'nothing')}")
    if found.absent:
        click.echo(f"cannot: {', '.join(found.absent)}")
    for place, sent, awaited in sent_lines(found):
        click.echo(f"  {place:<44} {sent}" + (f"   -> {awaited}" if awaited else ""))
    for remark in remarks(found):
        click.echo(f"remark: {remark}")


@dialect.command("try")
@click.argument("file")
@click.option("--resource", required=True, help="VISA resource, such as ASRL/dev/ttyUSB0::INSTR.")
@click.option("--library", default="@py", show_default=True, help="VISA library.")
@click.option("--option", "options", multiple=True, metavar="NAME=VALUE", help="Such as output=2.")
@click.option("--quantity", help="Only this quantity.")
@click.option("--range", "range_", type=POSITIVE, help="Range in SI units; automatic when absent.")
@click.option("--plc", type=POSITIVE, default=1.0, show_default=True, help="Integration time.")
@click.option("--on", "value", type=NUMBER, help="Switch on: volts, the source's value, a channel.")
@click.option("--limit", type=POSITIVE, help="With --on: limit in A (for a current: in V).")
@click.option("--kind", help="With --on: what a source shall be.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def try_(
    file: str,
    resource: str,
    library: str,
    options: tuple[str, ...],
    quantity: str | None,
    range_: float | None,
    plc: float,
    value: float | None,
    limit: float | None,
    kind: str | None,
    as_json: bool,
) -> ExitCode:
    """Try FILE on an instrument, step by step. Nothing is switched on without --on."""
    from acq.errors import Stopped, WrongInput
    from acq.runs.ending import stopping_once
    from drivers.dialect import load_dialect
    from drivers.time import WallTime
    from drivers.trial import SwitchOn, Tried, try_dialect, why_not

    found = load_dialect(file)
    on = None if value is None else SwitchOn(value, limit, kind)
    if on is not None:
        if reason := why_not(found, on):
            raise WrongInput(f"--on: {reason}")
        click.echo(_CAUTION, err=True)
    kept: list[Tried] = []

    def told(one: Tried) -> None:
        kept.append(one)
        if not as_json:
            _show(one)

    try:
        with stopping_once():
            try_dialect(
                found,
                resource,
                WallTime(),
                told,
                library=library,
                options=_pairs(options),
                quantity=quantity,
                range_=range_,
                plc=plc,
                on=on,
            )
    except Stopped as stop:
        if kept and kept[-1].failure is not None:
            raise Stopped(f"{stop}; {kept[-1].failure}") from None
        raise
    finally:
        if as_json:
            click.echo(json.dumps({"resource": resource, "tried": [_plain(one) for one in kept]}))
    return ExitCode.BENCH if any(one.failure for one in kept) else ExitCode.DONE


def _pairs(options: tuple[str, ...]) -> dict[str, str]:
    from acq.errors import WrongInput

    pairs = {}
    for option in options:
        name, found, text = option.partition("=")
        if not found:
            raise WrongInput(f"--option {option}: NAME=VALUE is needed")
        pairs[name] = text
    return pairs


def _show(one: object) -> None:
    from drivers.trial import Tried

    assert isinstance(one, Tried)
    click.echo(one.what)
    signs = {"sent": ">", "received": "<", "matched": "="}
    for what, text in one.exchanges:
        click.echo(f"    {signs[what]} {text}")
    click.echo(f"  FAILED: {one.failure}" if one.failure else f"  {one.outcome}")


def _plain(one: object) -> dict[str, object]:
    from dataclasses import asdict

    return asdict(one)  # type: ignore[call-overload,no-any-return]

"""`bridgebench bench find`: which ports there are, by names that a bench file can keep."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from acq.desk.exit_codes import ExitCode
from acq.desk.tables import Table

if TYPE_CHECKING:
    from drivers.finding import FoundPort

LAN_WORD = (
    "--lan sends a broadcast to every device of the local network (VXI-11 asks the port mapper,"
    " UDP port 111; where the VISA library can, mDNS as well) and lists who answers. Ask whoever"
    " runs the network first. Raw sockets and instruments behind a router are not found."
)


@click.command()
@click.option("--lan", is_flag=True, help="Also ask the local network; says what it sends.")
@click.option("--library", default="@py", show_default=True, help="VISA library for --lan.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def find(lan: bool, library: str, as_json: bool) -> ExitCode:
    """List serial ports by stable name; none is opened. The network is only asked with --lan."""
    from drivers.finding import serial_ports

    ports = serial_ports()
    network = _on_the_lan(library) if lan else None
    if as_json:
        click.echo(json.dumps(_document(ports, network), ensure_ascii=False, indent=2))
        return ExitCode.DONE
    from acq.desk.tables import show

    show([_table(ports)] if ports else ["no serial port is here"])
    if network is not None:
        show(["\n".join(network) if network else "nobody on the network answered"])
    else:
        click.echo("the network was not asked; --lan does, and says what it sends", err=True)
    return ExitCode.DONE


def _on_the_lan(library: str) -> tuple[str, ...]:
    from acq.errors import BenchFailure
    from drivers.wire import answering_on_the_lan

    click.echo(LAN_WORD, err=True)
    try:
        return answering_on_the_lan(library)
    except ConnectionError as error:
        raise BenchFailure(str(error)) from error


def _table(ports: list[FoundPort]) -> Table:
    rows = tuple((port.resource, port.device, port.description or "-") for port in ports)
    return Table("Serial ports", ("resource for the bench file", "device now", "what it is"), rows)


def _document(ports: list[FoundPort], network: tuple[str, ...] | None) -> dict[str, object]:
    return {
        "serial": [
            {
                "resource": port.resource,
                "device": port.device,
                "stable": port.stable or None,
                "description": port.description or None,
                "serial_number": port.serial_number or None,
            }
            for port in ports
        ],
        "lan": None if network is None else list(network),
    }

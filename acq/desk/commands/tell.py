"""`bridgebench answer|pause|go-on|stop RUN`: tell a running run something from another terminal."""

from __future__ import annotations

import getpass

import click

from acq.runs.control_socket import Told, tell
from acq.runs.folders import find_run_folder


def _tell(number: str, order: str, text: str = "") -> None:
    try:
        by = getpass.getuser()
    except (KeyError, OSError):
        by = "unnamed"
    tell(find_run_folder(number).control_socket, Told(order, by, text))


@click.command()
@click.argument("number", metavar="RUN")
@click.argument("text", default="")
def answer(number: str, text: str) -> None:
    """Answer the prompt at which RUN waits; the first answer wins."""
    _tell(number, "answer", text)


@click.command()
@click.argument("number", metavar="RUN")
def pause(number: str) -> None:
    """Have RUN pause as soon as nothing is energised."""
    _tell(number, "pause")


@click.command("go-on")
@click.argument("number", metavar="RUN")
def go_on(number: str) -> None:
    """End the pause of RUN."""
    _tell(number, "go-on")


@click.command()
@click.argument("number", metavar="RUN")
def stop(number: str) -> None:
    """Stop RUN: everything is switched off and proven off."""
    _tell(number, "stop")

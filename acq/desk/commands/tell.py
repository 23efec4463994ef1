"""`bridgebench answer|pause|go-on|skip|repeat|stop RUN`: tell a running run from elsewhere."""

from __future__ import annotations

import click

from acq.desk.person import login_name, reason_given
from acq.runs.control_socket import KEEP_EXCITATION, Told, tell
from acq.runs.folders import find_run_folder


def _tell(number: str, order: str, text: str = "", because: str = "") -> None:
    tell(find_run_folder(number).control_socket, Told(order, login_name(), text, because))


@click.command()
@click.argument("number", metavar="RUN")
@click.argument("text", default="")
def answer(number: str, text: str) -> None:
    """Answer the prompt at which RUN waits; the first answer wins."""
    _tell(number, "answer", text)


@click.command()
@click.argument("number", metavar="RUN")
@click.option("--keep-excitation", is_flag=True, help="Pause with the excitation on: stays warm.")
def pause(number: str, keep_excitation: bool) -> None:
    """Have RUN pause: as soon as nothing is energised, or with the excitation on."""
    _tell(number, "pause", KEEP_EXCITATION if keep_excitation else "")


@click.command()
@click.argument("number", metavar="RUN")
@click.option("--because", required=True, callback=reason_given, help="The reason; it is kept.")
def skip(number: str, because: str) -> None:
    """Skip the check of RUN that is under way; its findings are withheld with the reason."""
    _tell(number, "skip", because)


@click.command()
@click.argument("number", metavar="RUN")
@click.argument("check")
@click.option("--because", required=True, callback=reason_given, help="The reason; it is kept.")
def repeat(number: str, check: str, because: str) -> None:
    """Measure CHECK of the running RUN again, and all that follows it; both results are kept."""
    from acq.errors import WrongInput
    from acq.runs.effects import past_of
    from acq.runs.journal import read_journal

    lines, _ = read_journal(find_run_folder(number).journal)
    if reason := past_of(lines).cannot_repeat(check):
        raise WrongInput(reason)
    _tell(number, "repeat", check, because)


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

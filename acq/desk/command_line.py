"""The `bridgebench` command: finds the subcommand, turns every failure into one line and a code.

Nothing is imported before it is needed, so that `--help` answers at once.
"""

from __future__ import annotations

import sys
import tempfile
import traceback
from pathlib import Path

import click

from acq.desk.exit_codes import ExitCode
from acq.desk.lazy import LazyGroup
from acq.desk.one_folder import refuse_strange_packages

_LONGEST = 600  # of a message: what is quoted in it may be anything
# name -> "module:click command"; the module is imported only when the command is used
COMMANDS: dict[str, str] = {
    "risk": "acq.desk.commands.risk:risk",
    "cell": "acq.desk.commands.cell:cell",
    "sheet": "acq.desk.commands.sheet:sheet",
    "bench": "acq.desk.commands.bench:bench",
    "analyse": "acq.desk.commands.analyse:analyse",
    "dialect": "acq.desk.commands.dialect:dialect",
    "convert": "acq.desk.commands.convert:convert",
    "live": "acq.desk.commands.live:live",
    "log": "acq.desk.commands.log:log",
    "readings": "acq.desk.commands.readings:readings",
    "history": "acq.desk.commands.history:history",
    "records": "acq.desk.commands.records:records",
    "resume": "acq.desk.commands.run:resume",
    "run": "acq.desk.commands.run:run",
    "simulate": "acq.desk.commands.simulate:simulate",
    "validate": "acq.desk.commands.validate:validate",
    "why": "acq.desk.commands.why:why",
    "wiring": "acq.desk.commands.wiring:wiring",
    "certificate": "acq.desk.commands.certificate:certificate",
    "answer": "acq.desk.commands.tell:answer",
    "pause": "acq.desk.commands.tell:pause",
    "repeat": "acq.desk.commands.tell:repeat",
    "skip": "acq.desk.commands.tell:skip",
    "go-on": "acq.desk.commands.tell:go_on",
    "stop": "acq.desk.commands.tell:stop",
}


@click.group(
    cls=LazyGroup, members=COMMANDS, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.version_option(package_name="bridgebench")
def bridgebench() -> None:
    """Test strain-gauge load cells with the instruments on the bench, and keep the records."""


def main() -> None:
    """Run one command and leave with its exit code; never a traceback."""
    sys.exit(int(run_command(sys.argv[1:])))


def run_command(arguments: list[str]) -> ExitCode:
    """Run one command; return what the shell shall hear.

    A command returns an ExitCode or None (done). Messages go to standard error.
    """
    try:
        refuse_strange_packages()
        code = bridgebench.main(arguments, prog_name="bridgebench", standalone_mode=False)
    except click.exceptions.Exit as leaving:
        return ExitCode(leaving.exit_code)
    except click.ClickException as error:
        return _say(error.format_message(), ExitCode.WRONG_INPUT)
    except (click.Abort, KeyboardInterrupt):
        return _say("stopped", ExitCode.STOPPED)
    except BrokenPipeError:
        return ExitCode.DONE
    except Exception as error:  # noqa: BLE001  (the outermost handler: here a failure becomes a code)
        return _failure(error)
    return code if isinstance(code, ExitCode) else ExitCode.DONE


def _failure(error: Exception) -> ExitCode:
    from acq.errors import BenchFailure, Stopped, WrongInput

    if isinstance(error, WrongInput):
        return _say(str(error), ExitCode.WRONG_INPUT)
    if isinstance(error, Stopped):
        return _say(str(error), ExitCode.STOPPED)
    # only now: a stranger's `drivers` folder is among the wrong inputs
    from drivers.errors import InstrumentError
    from drivers.written_file import FileError

    if isinstance(error, FileError):
        return _say(str(error), ExitCode.WRONG_INPUT)
    if isinstance(error, (BenchFailure, InstrumentError)):
        return _say(str(error), ExitCode.BENCH)
    return _our_bug(error)


def _say(message: str, code: ExitCode) -> ExitCode:
    line = "".join(each if each.isprintable() else " " for each in message)
    line = " ".join(line.split())
    if len(line) > _LONGEST:  # a file of something else, quoted
        line = f"{line[:_LONGEST]} ..."
    click.echo(f"bridgebench: {line}", err=True)
    return code


def _our_bug(error: Exception) -> ExitCode:
    handle, name = tempfile.mkstemp(prefix="bridgebench-bug-", suffix=".txt")
    with open(handle, "w", encoding="utf-8") as report:
        report.write("".join(traceback.format_exception(error)))
    return _say(
        f"a mistake of ours ({type(error).__name__}); outputs were switched off. "
        f"Please send this report: {Path(name)}",
        ExitCode.OUR_BUG,
    )

"""A command at a real pseudo-terminal, read and answered as a person does."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import sys
import termios
import time
import traceback
from collections.abc import Sequence
from pathlib import Path

PATIENCE_S = 60.0  # wall time without a word, after which the command has hung
_ESCAPES = re.compile(r"\x1b(?:\[[0-9;?]*[A-Za-z]|[()][A-Za-z0-9]|[=>])")


class AtTerminal:
    """`bridgebench ARGUMENTS` in a child of its own, on a terminal that is wide enough.

    A fork, not a new interpreter: everything is loaded already. Lines are not wrapped unless
    `columns` is small.
    """

    def __init__(self, arguments: Sequence[str], folder: Path, columns: int = 2000) -> None:
        self.screen = ""  # all that was ever shown, without colours and cursor movements
        self._read = 0
        self._child, self._terminal = pty.fork()
        if self._child == 0:
            _become(arguments, folder)
        size = struct.pack("HHHH", 50, columns, 0, 0)
        fcntl.ioctl(self._terminal, termios.TIOCSWINSZ, size)

    def until(self, pattern: str) -> re.Match[str] | None:
        """Return the next match in what is shown and was not read yet; None when it ended first.

        Raises AssertionError with the newest lines when nothing is shown for too long.
        """
        wanted = re.compile(pattern)
        while True:
            found = wanted.search(self.screen, self._read)
            if found is not None:
                self._read = found.end()
                return found
            if not self._more():
                return None

    def type(self, text: str) -> None:
        """Type a line."""
        os.write(self._terminal, text.encode() + b"\n")

    def answer(self, pattern: str, text: str) -> str:
        """Wait for a question, type; return the question. AssertionError where it never comes."""
        found = self.until(pattern)
        assert found is not None, f"never asked {pattern!r}:\n{self.screen[-2000:]}"
        self.type(text)
        return found[0]

    def end(self) -> int:
        """Return the exit code, everything read."""
        while self._more():
            pass
        _, status = os.waitpid(self._child, 0)
        os.close(self._terminal)
        return os.waitstatus_to_exitcode(status)

    def _more(self) -> bool:
        ready, _, _ = select.select([self._terminal], [], [], PATIENCE_S)
        assert ready, f"hung after:\n{self.screen[-2000:]}"
        try:
            data = os.read(self._terminal, 1 << 16)
        except OSError:  # how Linux says that the other end was closed
            data = b""
        shown = data.decode(errors="replace").replace("\r\n", "\n")
        self.screen += _ESCAPES.sub("", shown)
        return bool(data)


def _become(arguments: Sequence[str], folder: Path) -> None:
    """Be the command: nothing of the parent's runs here any more."""
    code = 70
    try:
        from acq.desk.command_line import run_command

        for name in ("COLUMNS", "LINES"):  # what tests run under may have said how wide IT is
            os.environ.pop(name, None)
        while os.get_terminal_size().columns < 40:  # the parent says how wide it is
            time.sleep(0.001)
        os.chdir(folder)
        sys.stdin, sys.stdout, sys.stderr = (
            os.fdopen(number, mode, encoding="utf-8", closefd=False)
            for number, mode in ((0, "r"), (1, "w"), (2, "w"))
        )
        code = int(run_command(list(arguments)))
        sys.stdout.flush()
        sys.stderr.flush()
    except BaseException:  # noqa: BLE001  (nothing of the parent's may run here)
        os.write(2, traceback.format_exc().encode())
    finally:
        os._exit(code)

"""A command at a real pseudo-terminal, read and answered as a person does."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
from collections.abc import Sequence
from pathlib import Path

PATIENCE_S = 60.0  # wall time without a word, after which the command has hung
_COMMAND = "from acq.desk.command_line import main; main()"
_ESCAPES = re.compile(r"\x1b(?:\[[0-9;?]*[A-Za-z]|[()][A-Za-z0-9]|[=>])")


class AtTerminal:
    """`bridgebench ARGUMENTS` in a process of its own, on a terminal that is wide enough.

    Lines are not wrapped unless `columns` is small. Not a fork: the typesetter's threads, where a
    test has used it, would not be there in one.
    """

    def __init__(self, arguments: Sequence[str], folder: Path, columns: int = 2000) -> None:
        self.screen = ""  # all that was ever shown, without colours and cursor movements
        self._read = 0
        self._terminal, theirs = pty.openpty()
        fcntl.ioctl(self._terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 50, columns, 0, 0))
        # what tests run under may have said how wide it is itself
        environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _COMMAND, *arguments],
                stdin=theirs,
                stdout=theirs,
                stderr=theirs,
                cwd=folder,
                env=environment,
                start_new_session=True,
            )
        finally:
            os.close(theirs)

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
        os.close(self._terminal)
        return self._process.wait()

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

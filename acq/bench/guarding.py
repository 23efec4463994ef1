"""The run's side of its guardian: start it, look whether it lives, let it go."""

from __future__ import annotations

import os
import select
import subprocess
import sys
from pathlib import Path

from acq.bench.guardian import PROVEN, READY
from acq.bench.lock import BenchLock
from acq.errors import BenchFailure

_START_S = 20.0
_END_S = 60.0


class Guard:
    """A guardian process that watches this run. Start it before any output goes on."""

    def __init__(self, folder: Path, lock: BenchLock) -> None:
        """Raises BenchFailure when the guardian does not say that it is ready."""
        theirs, self._pipe = os.pipe()
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "acq.bench.guardian", str(folder)],
                stdin=theirs,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                pass_fds=lock.descriptors,
                start_new_session=True,
            )
        finally:
            os.close(theirs)
        self._await_ready()

    def _await_ready(self) -> None:
        assert self._process.stdout is not None
        ready, _, _ = select.select([self._process.stdout], [], [], _START_S)
        if not ready or self._process.stdout.readline() != READY:
            self._process.kill()
            _, said = self._process.communicate()
            self._close_pipe()
            reason = said.decode(errors="replace").strip().splitlines()[-1:] or ["no word"]
            raise BenchFailure(f"the guardian did not start ({reason[0]}); nothing was switched on")

    @property
    def process_id(self) -> int:
        return self._process.pid

    def check(self) -> None:
        """Raises BenchFailure when the guardian has died: the run must not go on without it."""
        if self._process.poll() is not None:
            raise BenchFailure("the guardian has died; the run stops and switches everything off")

    def release(self, *, proven: bool) -> None:
        """Let the guardian go; unless everything is proven off it switches off itself first.

        Raises BenchFailure when the guardian could not prove it either.
        """
        if self._pipe < 0:
            return
        died = self._process.poll() is not None
        if proven and not died:
            os.write(self._pipe, PROVEN)
        self._close_pipe()
        try:
            code = self._process.wait(_END_S)
        except subprocess.TimeoutExpired:
            code = 3
        self._close_streams()
        if not proven and code != 0:
            raise BenchFailure(
                "outputs are NOT proven off: switch the instruments off by hand, then look at the"
                " links; the guardian goes on trying"
            )

    def _close_pipe(self) -> None:
        os.close(self._pipe)
        self._pipe = -1

    def _close_streams(self) -> None:
        for stream in (self._process.stdout, self._process.stderr):
            if stream is not None:
                stream.close()

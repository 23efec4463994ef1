"""The run's side of its guardian: start it, look whether it lives, let it go."""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
import time
from pathlib import Path

from acq.bench.guardian import PROVEN, READY
from acq.bench.lock import BenchLock
from acq.errors import BenchFailure

_START_S = 20.0
_END_S = 60.0


class Guard:
    """The guardians of this run, which watch one another. Start before any output goes on."""

    def __init__(self, folder: Path, lock: BenchLock) -> None:
        """Raises BenchFailure when the guardian does not say that it is ready."""
        first, first_pipe = os.pipe()
        second, second_pipe = os.pipe()
        self._pipes = [first_pipe, second_pipe]
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "acq.bench.guardian", str(folder), str(second)],
                bufsize=0,  # a word behind `ready` must stay where select sees it
                stdin=first,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                pass_fds=(*lock.descriptors, second),
                start_new_session=True,
            )
        finally:
            os.close(first)
            os.close(second)
        self._await_ready()

    def _await_ready(self) -> None:
        assert self._process.stdout is not None
        ready, _, _ = select.select([self._process.stdout], [], [], _START_S)
        if not ready or self._process.stdout.readline() != READY:
            self._process.kill()
            self._let_go(PROVEN)  # nothing was switched on
            _, said = self._process.communicate()
            reason = said.decode(errors="replace").strip().splitlines()[-1:] or ["no word"]
            raise BenchFailure(f"the guardian did not start ({reason[0]}); nothing was switched on")

    @property
    def process_id(self) -> int:
        return self._process.pid

    def check(self) -> None:
        """Raises BenchFailure when the guardian has died: the run must not go on without it."""
        assert self._process.stdout is not None
        word, _, _ = select.select([self._process.stdout], [], [], 0)
        if word or self._process.poll() is not None:  # the word: its twin has died or hangs
            raise BenchFailure(
                "the guardian has died or hangs; the run stops and switches everything off"
            )

    def release(self, *, proven: bool) -> None:
        """Let the guardian go; unless everything is proven off it switches off itself first.

        Raises BenchFailure when the guardian could not prove it either.
        """
        if not self._pipes:
            return
        self._let_go(PROVEN if proven else b"")
        off = self._ended_well() or proven or self._second_has_done_it()
        self._close_streams()
        if not off:
            raise BenchFailure(
                "outputs are NOT proven off: switch the instruments off by hand, then look at the"
                " links; the guardian goes on trying"
            )

    def _ended_well(self) -> bool:
        try:
            return self._process.wait(_END_S) == 0
        except subprocess.TimeoutExpired:
            return False

    def _second_has_done_it(self) -> bool:
        """Whether the second guardian proved it, where the first has died."""
        assert self._process.stdout is not None
        said, end = b"", time.monotonic() + _END_S
        while (left := end - time.monotonic()) > 0:
            if select.select([self._process.stdout], [], [], left)[0]:
                data = os.read(self._process.stdout.fileno(), 4096)
                if not data:
                    break
                said += data
        return PROVEN in said

    def _let_go(self, word: bytes) -> None:
        """Say a last word to both guardians; the end of the pipes is what they wait for."""
        for pipe in self._pipes:
            with contextlib.suppress(BrokenPipeError):  # that one is dead
                if word:
                    os.write(pipe, word)
            os.close(pipe)
        self._pipes = []

    def _close_streams(self) -> None:
        for stream in (self._process.stdout, self._process.stderr):
            if stream is not None:
                stream.close()

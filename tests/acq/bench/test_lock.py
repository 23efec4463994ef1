"""One run at a time on a bench, and what comes while a guardian still switches off waits."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import pytest

from acq.bench.bench_file import bench_file_from_text
from acq.bench.lock import BenchLock, await_guardian
from acq.errors import BenchFailure

# A run that ends at once and leaves a guardian, which holds the lock until it is let go.
_RUN = """
import subprocess, sys
from acq.bench.lock import BenchLock
lock = BenchLock(sys.argv[1])
subprocess.Popen(
    [sys.executable, "-c", "input()"], stdin=0, stdout=subprocess.DEVNULL, pass_fds=lock.descriptors
)
"""


def test_who_comes_while_a_guardian_still_switches_off_waits_and_is_told() -> None:
    name, (theirs, ours) = f"bench of process {os.getpid()}", os.pipe()
    subprocess.run([sys.executable, "-c", _RUN, name], stdin=theirs, check=True)
    os.close(theirs)
    told: list[str] = []

    def tell(text: str) -> None:
        told.append(text)
        time.sleep(0.3)  # the lock is tried again meanwhile
        os.close(ours)  # the guardian is done

    BenchLock(name, tell).release()
    assert told == [f"the guardian of an earlier run still switches bench {name!r} off; waiting"]


def test_a_form_that_was_typed_in_waits_for_nobody() -> None:
    form = bench_file_from_text('name = "a form"\n[instruments]\n', "form")
    lock = BenchLock("a form")
    try:
        await_guardian(form, lambda _: pytest.fail("waits"))
    finally:
        lock.release()


def test_who_comes_while_a_run_goes_on_is_refused_at_once() -> None:
    name = f"bench of process {os.getpid()}"
    lock = BenchLock(name)
    try:
        with pytest.raises(BenchFailure, match=f"in use by process {os.getpid()} as a run; wait"):
            BenchLock(name, lambda _: pytest.fail("waits"))
    finally:
        lock.release()

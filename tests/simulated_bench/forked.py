"""A simulated bench in a child of the test's own process: everything is loaded already.

What starts with the command line, or is to differ between processes, uses `BenchProcess` or
`start_simulated_bench`, which take a second for their imports.
"""

from __future__ import annotations

import json
import os
import traceback
from contextlib import suppress

from simulated_bench.scenario import read_scenario
from simulated_bench.served import ServedBench

_CHILDREN: list[int] = []
HIGHEST = 4096  # descriptors; a child must not hold a pipe whose end somebody waits for


def fork_simulated_bench(scenario: str, seed: int | None = None) -> tuple[str, str]:
    """Serve a scenario from a child until its time ends; return its control port and bench file.

    Raises RuntimeError when it does not come up; the child's own words are on its stderr.
    """
    _reap()
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.setsid()
            os.dup2(write, 3)
            os.closerange(4, HIGHEST)
            nothing = os.open(os.devnull, os.O_RDWR)
            for number in (0, 1):
                os.dup2(nothing, number)
            _serve(scenario, seed, 3)
        except BaseException:  # noqa: BLE001  (nothing of the parent's may run here)
            os.write(2, traceback.format_exc().encode())
        finally:
            os._exit(0)
    _CHILDREN.append(child)
    os.close(write)
    with os.fdopen(read) as told:
        line = told.readline()
    if not line:
        raise RuntimeError(f"the simulated bench of {scenario} did not come up")
    control, text = json.loads(line)
    return control, text


def _serve(scenario: str, seed: int | None, to: int) -> None:
    name, read = read_scenario(scenario)
    with ServedBench(name, read, file=scenario, seed=seed) as served:
        os.write(to, json.dumps([served.control.address, served.bench_file()]).encode() + b"\n")
        os.close(to)
        served.control.serve()


def _reap() -> None:
    """Take leave of earlier children that have ended; of nobody else's."""
    for child in list(_CHILDREN):
        with suppress(ChildProcessError):
            if os.waitpid(child, os.WNOHANG) == (0, 0):
                continue
        _CHILDREN.remove(child)

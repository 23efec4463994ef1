"""Serve a simulated bench: `python -P -m simulated_bench [--scenario NAME|FILE] ...`.

Prints one JSON line when it serves: where the control port is, and the bench file as text.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
from contextlib import suppress

# Small matrices, one after the other: a second thread of the linear algebra only gets in the way.
# Read once, when the numbers are loaded, so it must be said before.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
from simulated_bench.scenario import ScenarioError, read_scenario
from simulated_bench.served import ServedBench


def main() -> int:
    """Serve until told to end; 2 for a scenario that cannot be used."""
    args = _arguments()
    try:
        name, scenario = read_scenario(args.scenario)
    except ScenarioError as error:
        print(error, file=sys.stderr)  # noqa: T201
        return 2
    with suppress(OSError):  # already the leader of a process group: started from a shell
        os.setsid()
    signal.signal(signal.SIGTERM, lambda _number, _frame: sys.exit(0))
    try:
        served = ServedBench(
            name,
            scenario,
            file=args.scenario,
            seed=args.seed,
            linger_s=args.linger,
            pace=args.pace,
        )
    except ScenarioError as error:
        print(error, file=sys.stderr)  # noqa: T201
        return 2
    with served:
        text = served.bench_file()
        line = {
            "control": served.control.address,
            "bench": text,
            "scenario": name,
            "simulated": True,
        }
        print(json.dumps(line), flush=True)  # noqa: T201
        with suppress(KeyboardInterrupt):
            served.control.serve()
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="simulated_bench", description="A bench without hardware, for tests and training."
    )
    parser.add_argument("--scenario", default="healthy", help="a shipped scenario or a TOML file")
    parser.add_argument("--seed", type=int, default=None, help="instead of the scenario's seed")
    parser.add_argument(
        "--pace",
        type=float,
        default=None,
        help="bench seconds per second of wall time in led runs, for people to watch",
    )
    parser.add_argument(
        "--linger",
        type=float,
        default=600.0,
        help="seconds of wall time without a leader after which the process ends",
    )
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())

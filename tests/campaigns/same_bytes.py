"""Many simulated runs of one seed, some of them under load: how many different certificates?

python -m tests.campaigns.same_bytes --runs 100
"""

from __future__ import annotations

import argparse
import hashlib
import os
import tempfile
from collections import Counter
from pathlib import Path

from acq.certificates.certificate import certificate_of
from acq.records.records import Records
from tests.bench_watch import BenchWatch
from tests.conducting import Trial


def certificate_digest(folder: Path) -> str:
    """Conduct one run of the shortest plan in this folder; return its certificate's digest."""
    trial = Trial.new(folder)
    try:
        assert trial.in_child() == 0
    finally:
        with BenchWatch(trial.control) as watch:
            watch.end()
    with Records.open(f"sqlite:///{folder / 'records.sqlite'}", simulated=True) as records:
        pdf = certificate_of(records, records.run(trial.folder.number))
    assert pdf.startswith(b"%PDF")
    return hashlib.sha256(pdf).hexdigest()


def digests(runs: int, load: int) -> Counter[str]:
    """Return how often each certificate came out; `load` processes only burn time beside."""
    burners = [_burn() for _ in range(load)]
    try:
        with tempfile.TemporaryDirectory() as root:
            return Counter(certificate_digest(Path(root) / str(n) / "run") for n in range(runs))
    finally:
        for burner in burners:
            os.kill(burner, 9)
            os.waitpid(burner, 0)


def _burn() -> int:
    child = os.fork()
    if child == 0:
        while True:
            sum(range(10_000))
    return child


def main() -> None:
    """Print how many distinct certificates there were, without and with load."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=100)
    runs = parser.parse_args().runs
    quiet, loaded = digests(runs // 2, load=0), digests(runs - runs // 2, load=3)
    print(f"{runs} runs, half of them beside three busy processes:", end=" ")  # noqa: T201
    print(f"{len(quiet | loaded)} distinct certificate(s)")  # noqa: T201


if __name__ == "__main__":
    main()

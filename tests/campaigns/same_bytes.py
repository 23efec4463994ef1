"""Many simulated runs of one seed, half of them under load: how many certificates and journals?

python -m tests.campaigns.same_bytes --runs 200 [--out FILE]
"""

from __future__ import annotations

import argparse
import hashlib
import os
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from acq.certificates.certificate import certificate_of
from acq.records.records import Records
from tests.bench_watch import BenchWatch
from tests.conducting import Trial


def digest(folder: Path) -> str:
    """Conduct one run of the shortest plan in this folder; digest its certificate and journal."""
    trial = Trial.apart(folder)
    try:
        assert trial.in_child() == 0
    finally:
        with BenchWatch(trial.control) as watch:
            watch.end()
    with Records.open(f"sqlite:///{folder / 'records.sqlite'}", simulated=True) as records:
        pdf = certificate_of(records, records.run(trial.folder.number))
    assert pdf.startswith(b"%PDF")
    journal = trial.folder.journal.read_bytes()
    return " ".join(hashlib.sha256(data).hexdigest()[:16] for data in (pdf, journal))


def digests(runs: int, load: int) -> Counter[str]:
    """Return how often each certificate and journal came out; `load` processes burn time."""
    burners = [_burn() for _ in range(load)]
    try:
        with tempfile.TemporaryDirectory() as root:
            return Counter(digest(Path(root) / str(n) / "run") for n in range(runs))
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


def table(runs: int) -> str:
    """Return what came out, as a table."""
    began = time.monotonic()
    quiet, loaded = digests(runs // 2, load=0), digests(runs - runs // 2, load=3)
    seconds = time.monotonic() - began
    lines = [
        "# The same seed, the same bytes",
        "",
        f"{datetime.now(UTC):%Y-%m-%d}, seed 1 of the scenario `healthy`, the shortest plan,"
        f" {runs} runs in {seconds:.0f} s.",
        f"Written by `python -m tests.campaigns.same_bytes --runs {runs}`. Digests: first 16",
        "digits of SHA-256.",
        "",
        "| certificate | journal | runs alone | runs beside three busy processes |",
        "|---|---|---|---|",
    ]
    for both in sorted(quiet | loaded):
        certificate, journal = both.split()
        lines.append(f"| {certificate} | {journal} | {quiet[both]} | {loaded[both]} |")
    return "\n".join([*lines, "", f"{len(quiet | loaded)} distinct.", ""])


def main() -> None:
    """Print how many distinct certificates and journals there were, without and with load."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    said = table(asked.runs)
    print(said)  # noqa: T201
    if asked.out is not None:
        asked.out.write_text(said, encoding="utf-8")


if __name__ == "__main__":
    main()

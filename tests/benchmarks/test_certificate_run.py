"""A whole day at the rig for a certificate, in stepped time: the command as a user gives it."""

from __future__ import annotations

from pathlib import Path

from tests.whole_command import CERTIFICATE, simulated_run


def test_the_day_of_a_certificate_takes_a_small_part_of_its_bench_time(tmp_path: Path) -> None:
    """Goal: 1/500 for preloads, 3 runs of 11 points, creep and return, start and PDF included.

    Processor time of the command, its guardians and its bench, which wait for one another: on a
    quiet machine the wall time. Caches that others empty cost up to half as much again.
    """
    spent = simulated_run(tmp_path, *CERTIFICATE)
    ratio = spent.bench_s / spent.processor_s
    print(  # noqa: T201
        f"\nbench time {spent.bench_s:.0f} s, processor {spent.processor_s:.1f} s (1/{ratio:.0f}),"
        f" wall {spent.wall_s:.1f} s"
    )
    assert spent.bench_s > 10_000.0
    assert ratio > 250.0

"""Noise from seed, name and start time: order, gaps and retries change nothing."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import constants

from simulated_bench.noise import (
    Drift,
    Mains,
    NoiseLevels,
    ReadingNoise,
    Spikes,
    Telegraph,
    johnson_volts,
    key,
    normals,
    words,
)

CYCLE_S = 0.02
MASK = 2**64 - 1


def philox4x64(counter: list[int], k: list[int]) -> list[int]:
    """Philox4x64-10 as its authors publish it (Salmon et al., SC11), in plain integers."""
    c, (k0, k1) = list(counter), k
    for _ in range(10):
        p0, p1 = 0xD2E7470EE14C6C93 * c[0], 0xCA5A826395121157 * c[2]
        c = [(p1 >> 64) ^ c[1] ^ k0, p1 & MASK, (p0 >> 64) ^ c[3] ^ k1, p0 & MASK]
        k0, k1 = (k0 + 0x9E3779B97F4A7C15) & MASK, (k1 + 0xBB67AE8584CAA73B) & MASK
    return c


@pytest.mark.parametrize(("count", "channel"), [(12345, 3), (0, 0), (2**63 + 7, 1 << 32)])
def test_the_raw_words_are_those_of_philox(count: int, channel: int) -> None:
    k = key(7, "dmm")
    # The library counts up before it draws: its block 0 is block 1 of the published function.
    expected = philox4x64([1, channel, count, 0], [int(x) for x in k])
    assert [int(x) for x in words(k, count, channel)] == expected


def test_known_words_stay_what_they_are() -> None:
    expected = [0xF09AE9AE3B7A848C, 0xE6CDD582FBF508AB, 0x668ED95F4082A6FD, 0x10EFF22160EFA931]
    assert [int(x) for x in words(key(7, "dmm"), 12345, 3)] == expected
    assert normals(key(7, "dmm"), 12345, 3)[:3] == pytest.approx(
        [1.5536311, 1.29059704, -0.25174987], abs=5e-8
    )


def test_normal_numbers_are_normal() -> None:
    drawn = np.array([normals(key(1, "x"), n) for n in range(5000)]).ravel()
    assert abs(drawn.mean()) < 4 / math.sqrt(drawn.size)
    assert drawn.std() == pytest.approx(1.0, abs=4 / math.sqrt(2 * drawn.size))


def readings(cycles: float, pickup: float = 0.0, count: int = 300) -> list[float]:
    noise = ReadingNoise(11, "dmm", NoiseLevels(pickup=pickup))
    every = max(cycles * CYCLE_S * 2, 0.01) * 1e9
    return [noise.mean(round(n * every), cycles * CYCLE_S) for n in range(count)]


@pytest.mark.parametrize(
    ("cycles", "microvolts"), [(0.02, 3.0), (0.2, 0.7), (1, 0.3), (10, 0.12), (100, 0.075)]
)
def test_noise_falls_with_integration_as_of_a_usual_meter(cycles: float, microvolts: float) -> None:
    # Rms by integration time of a 6.5 digit meter, 100 mV range: common practice, no source.
    assert np.std(readings(cycles)) * 1e6 == pytest.approx(microvolts, rel=0.25)


def test_whole_cycles_reject_the_mains_and_parts_of_one_do_not() -> None:
    quiet, humming = (np.std(readings(1, pickup)) for pickup in (0.0, 20e-6))
    assert humming == pytest.approx(quiet, rel=0.01)
    assert np.std(readings(0.2, 20e-6)) > 10 * np.std(readings(0.2))


def test_order_and_repeats_change_no_reading() -> None:
    starts = [round(n * 4e8) for n in range(40)]
    forward = ReadingNoise(3, "dmm")
    first = {start: forward.mean(start, 0.2) for start in starts}
    for start in np.random.default_rng(0).permutation(starts).tolist():
        assert ReadingNoise(3, "dmm").mean(start, 0.2) == first[start]
        assert forward.mean(start, 0.2) == first[start]
    assert ReadingNoise(4, "dmm").mean(starts[1], 0.2) != first[starts[1]]
    assert ReadingNoise(3, "second-dmm").mean(starts[1], 0.2) != first[starts[1]]


def test_drift_over_a_window_is_the_mean_of_its_parts() -> None:
    drift = Drift(key(5, "dmm"), 1.0)
    whole = drift.mean(100.3, 50.0)
    parts = np.mean([drift.mean(100.3 + n * 0.5, 0.5) for n in range(100)])
    assert parts == pytest.approx(whole, abs=1e-12)
    fine = np.mean([drift.mean(100.3 + (n + 0.5) * 0.01, 0.0) for n in range(5000)])
    assert fine == pytest.approx(whole, abs=1e-5)


def test_drift_joins_neighbours_and_forgets_after_hours() -> None:
    drift = Drift(key(5, "dmm"), 1.0)
    near = [drift.mean(t, 0.0) - drift.mean(t + 1.0, 0.0) for t in range(0, 200_000, 1997)]
    far = [drift.mean(t, 0.0) - drift.mean(t + 70_000.0, 0.0) for t in range(0, 200_000, 1997)]
    assert np.std(near) < 0.5 * np.std(far)


def test_all_instruments_share_one_mains() -> None:
    one, other = Mains(1), Mains(1)
    assert one.mean(3.21, 0.004) == other.mean(3.21, 0.004)
    samples = np.array([one.mean(n * 0.0011, 0.0) for n in range(20_000)])
    assert samples.std() == pytest.approx(math.sqrt(0.5), rel=0.02)


def test_an_intermittent_joint_is_broken_as_long_as_it_is_said() -> None:
    joint = Telegraph(1, "joint", whole_s=3.0, broken_s=1.0)
    assert joint.broken_share(0.0, 40_000.0) == pytest.approx(0.25, abs=0.02)
    parts = [Telegraph(1, "joint", 3.0, 1.0).broken_share(n * 0.5, 0.5) for n in range(200)]
    assert np.mean(parts) == pytest.approx(joint.broken_share(0.0, 100.0), abs=1e-12)


def test_flexing_makes_an_intermittent_joint_change_more_often() -> None:
    joint = Telegraph(1, "joint", 30.0, 2.0, flexed=[(100.0, 160.0, 20.0)])
    calm, flexed = 0, 0
    at = 0.0
    while at < 260.0:
        after = joint.next_change(at)
        assert joint.broken_share(after - 1e-6, 0.0) != joint.broken_share(after + 1e-6, 0.0)
        share = joint.broken_share(at + 1e-9, after - at - 2e-9)
        assert min(share, abs(1 - share)) < 1e-9
        flexed += 100.0 < after < 160.0
        calm += not 100.0 < after < 160.0
        at = after
    assert flexed / 60.0 > 3 * calm / 200.0


def test_spikes_come_as_often_as_said_and_within_their_size() -> None:
    spikes = Spikes(2, "dmm", per_hour=60.0)
    hit = [abs(spikes.mean(n * 1.0, 1.0)) for n in range(8000)]
    sizes = [x / spikes.width_s for x in hit if x]
    assert len(sizes) == pytest.approx(8000 / 60, rel=0.3)
    assert max(sizes) <= 200e-6 * (1 + 1e-9)
    whole = spikes.mean(0.0, 300.0)
    assert whole == pytest.approx(np.mean([spikes.mean(n * 0.1, 0.1) for n in range(3000)]))


@pytest.mark.parametrize(("ohms", "nanovolts"), [(350.0, 2.4), (1000.0, 4.0)])
def test_johnson_noise_of_a_bridge(ohms: float, nanovolts: float) -> None:
    # Density sqrt(4 k T R), with the constants of CODATA as scipy has them.
    density = math.sqrt(
        4 * constants.Boltzmann * constants.convert_temperature(22, "C", "K") * ohms
    )
    assert density * 1e9 == pytest.approx(nanovolts, abs=0.05)
    # An average over T has the noise bandwidth 1 / (2 T).
    assert johnson_volts(ohms, 22.0, 0.2) == pytest.approx(density * math.sqrt(2.5), rel=1e-12)

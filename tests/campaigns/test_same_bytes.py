"""The same seed gives the same certificate, to the byte, also under load."""

from __future__ import annotations

from tests.campaigns.same_bytes import digests


def test_the_same_seed_gives_the_same_certificate_beside_busy_processes() -> None:
    quiet, loaded = digests(1, load=0), digests(2, load=2)
    assert len(quiet | loaded) == 1

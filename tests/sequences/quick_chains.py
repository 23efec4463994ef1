"""Shipped chains with filters so quick that a test need not wait for them."""

from __future__ import annotations

from pathlib import Path

from simulated_bench.scenario import SCENARIOS

FILTERED = ("transmitter", "card")


def quick_chain(name: str, folder: Path, *changes: tuple[str, str]) -> str:
    """Write the shipped scenario `chain-NAME` with quick filters and these texts changed."""
    text = (SCENARIOS / f"chain-{name}.toml").read_text(encoding="utf-8")
    filters = [(f"[chain.{at}]\n", f"[chain.{at}]\nfilter_s = 0.002\n") for at in FILTERED]
    for old, new in (*filters, *changes):
        assert old in text, f"{name}: no {old!r}"
        text = text.replace(old, new, 1)
    path = folder / f"chain-{name}.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)

"""What the kept table of the rig campaign says; the way itself is gone by the sequences' tests."""

from __future__ import annotations

import json
from pathlib import Path

from scipy.stats import binom

from tests.campaigns.load_rig_campaign import TABLE, kept_cells, spread_table, tallied

LED_BY_SCATTER = ("hysteresis",)


def test_the_kept_table_holds_the_truth_as_often_as_it_says() -> None:
    """Never less often than 95 % by more than chance; in 95 % where scatter leads, not limits."""
    covered = {}
    for line in TABLE.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if cells[-1].endswith(" %"):
            covered[cells[0]] = int(cells[1]), float(cells[-1].removesuffix(" %")) / 100.0
    assert len(covered) == 10
    for name, (count, share) in covered.items():
        fewest, most = (binom.ppf(p, count, 0.95) / count for p in (1e-3, 1.0 - 1e-3))
        assert share >= fewest - 1e-3, name
        assert share <= most + 1e-3 or name not in LED_BY_SCATTER, name


def test_cells_that_were_kept_tell_the_same_table(tmp_path: Path) -> None:
    cells: list[dict[str, tuple[float, float, float]]] = [
        {"zero return": (1.2, 1.0, 1.0)},
        {"zero return": (0.9, 0.5, 1.0)},
        {},
        {"zero return": (4.0, 2.0, 1.0)},
    ]
    kept = tmp_path / "kept.jsonl"
    kept.write_text("".join(json.dumps(cell) + "\n" for cell in cells), encoding="utf-8")
    found = kept_cells(kept)
    assert found == cells
    row = spread_table(tallied([cell for cell in found if cell])).splitlines()[-1]
    assert row.startswith("| zero return | 3 | +1.03e+00 |")
    assert row.endswith("| 1.76 | 66.7 % |")  # rms of 0.4, 0.4 and 3.0 of what was stated

"""The chain file's documentation: its example is read as it stands, and no key is missing."""

from __future__ import annotations

import re
from pathlib import Path

from acq.cells import chain_file
from acq.cells.chain_visit import read_chain
from drivers.written_file import Written

TEXT = (Path(chain_file.__file__).parent / "chain-file.md").read_text(encoding="utf-8")
PARTS = [
    part for part in vars(chain_file).values() if isinstance(part, type) and part is not Written
]


def test_the_example_is_one_chain_file(tmp_path: Path) -> None:
    blocks = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)
    path = tmp_path / "chain.toml"
    path.write_text("".join(blocks), encoding="utf-8")
    visit = read_chain(path)
    assert len(blocks) == 3
    assert [cell.name for cell in visit.chain.cells] == ["K-1", "K-2"]
    assert visit.population.source == "work orders of one plant (invented)"


def test_every_key_stands_there() -> None:
    models = [part for part in PARTS if issubclass(part, Written)]
    assert len(models) >= 12
    for model in models:
        for key in model.model_fields:
            assert re.search(rf"\b{key}\b", TEXT), f"{model.__name__}.{key}"
    for item in chain_file.RESTORE_LIST:
        assert item in TEXT

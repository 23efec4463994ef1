"""The bench file's documentation: its examples are read as they stand, and no key is missing."""

from __future__ import annotations

import re
from pathlib import Path

from acq.bench.bench_file import BenchFile, Instrument, bench_file_from_text
from acq.bench.relay_file import TERMINALS, Connections, Relay, Reversal
from acq.readings.correction import CalibrationPoint, Correction

README = Path(__file__).parents[3] / "acq" / "bench" / "README.md"
SCANNER = """
[instruments.scanner]
by_hand = true
[[connections.relay]]
channel = 102
terminal = "dmm LO"
lead = "Ex-"
[[connections.relay]]
channel = 103
terminal = "dmm LO"
lead = "Ex+"
"""


def test_the_examples_are_one_bench_file() -> None:
    blocks = re.findall(r"```toml\n(.*?)```", README.read_text(), re.DOTALL)
    assert len(blocks) == 2
    file: BenchFile = bench_file_from_text("".join(blocks) + SCANNER, "README.md")
    assert file.connections.reversal[0].channel == 190
    assert file.instruments["dmm"].correction[0].at(0.01)[0] == -2e-7


def test_every_key_and_terminal_stands_there() -> None:
    text = README.read_text()
    for model in (Instrument, Connections, Relay, Reversal, Correction, CalibrationPoint):
        for key in model.model_fields:
            if key != "description":
                assert re.search(rf"\b{key}\b", text), key
    for terminal in TERMINALS:
        assert terminal in text or terminal.startswith("second-dmm"), terminal

"""The table of kinds is kept: every row names a test that exists, and no kind is left out."""

from __future__ import annotations

import re
from pathlib import Path

TABLE = Path(__file__).with_name("kinds_met.md")
FOLDERS = (Path(__file__).parent, Path(__file__).parents[1] / "campaigns")
ROW = re.compile(r"\| (?P<kind>[^|]+) \| (?P<becomes>[^|]+) \| (?P<file>\S+)::(?P<test>\w+) \|")
WORDS = ("said", "borne", "told", "refused", "never", "a limit", "ended", "no such thing", "read")


def rows() -> list[re.Match[str]]:
    lines = [line for line in TABLE.read_text().splitlines() if line.startswith("|")]
    wanted = [line for line in lines if not line.startswith(("| kind |", "|---"))]
    found = [ROW.fullmatch(line) for line in wanted]
    assert all(found), [line for line, row in zip(wanted, found, strict=True) if row is None]
    return [row for row in found if row is not None]


def test_every_kind_names_a_test_that_exists() -> None:
    for row in rows():
        text = "".join(
            path.read_text() for folder in FOLDERS if (path := folder / row["file"]).exists()
        )
        assert f"def {row['test']}(" in text, row["test"]


def test_seventy_kinds_have_an_outcome_and_none_stands_twice() -> None:
    kinds = [row["kind"] for row in rows()]
    assert len(kinds) == len(set(kinds)) >= 70
    for row in rows():
        assert any(word in row["becomes"] for word in (*WORDS, "not ours")), row["becomes"]

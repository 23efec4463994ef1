"""The journal: nothing acknowledged is lost, no change goes unseen, half a line is none."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.errors import BenchFailure, WrongInput
from acq.runs.journal import NOTHING_BEFORE, Journal, plain, read_journal

JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)


def written(path: Path, count: int = 3) -> bytes:
    journal = Journal(path, new=True)
    for number in range(count):
        journal.append("effect", number * 10, got=number)
    journal.close()
    return path.read_bytes()


def test_each_line_carries_the_digest_of_the_line_before_it(tmp_path: Path) -> None:
    previous = NOTHING_BEFORE
    for raw in written(tmp_path / "j").splitlines(keepends=True):
        assert json.loads(raw)["prev"] == previous
        previous = hashlib.sha256(raw).hexdigest()


@settings(max_examples=60, deadline=None)
@given(content=st.dictionaries(st.sampled_from("abcdef"), JSON_VALUES, max_size=4))
def test_what_was_written_is_read_back_exactly(
    tmp_path_factory: pytest.TempPathFactory, content: dict[str, Any]
) -> None:
    path = tmp_path_factory.mktemp("journal") / "j"
    journal = Journal(path, new=True)
    journal.append("effect", 5, **content)
    journal.close()
    (line,), whole = read_journal(path)
    assert {key: line.content[key] for key in content} == plain(content)
    assert whole == path.stat().st_size


def test_a_file_cut_anywhere_opens_with_the_whole_lines_before_the_cut(tmp_path: Path) -> None:
    whole = written(tmp_path / "whole")
    for cut in range(len(whole) + 1):
        path = tmp_path / f"cut-{cut}"
        path.write_bytes(whole[:cut])
        journal = Journal(path, new=False)
        assert len(journal.lines) == whole[:cut].count(b"\n")
        journal.append("effect", 1000, got="after")
        journal.close()
        assert read_journal(path)[0][-1].content["got"] == "after"


def test_a_changed_byte_in_any_line_but_the_last_is_refused_with_its_line(tmp_path: Path) -> None:
    lines = written(tmp_path / "j", 4).splitlines(keepends=True)
    for number in range(3):
        changed = list(lines)
        changed[number] = changed[number].replace(b'"got":', b'"gof":')
        path = tmp_path / f"changed-{number}"
        path.write_bytes(b"".join(changed))
        with pytest.raises(WrongInput, match=f"line {number + 2} does not follow"):
            Journal(path, new=False)


def test_a_removed_line_is_refused(tmp_path: Path) -> None:
    lines = written(tmp_path / "j", 4).splitlines(keepends=True)
    (tmp_path / "short").write_bytes(b"".join(lines[:1] + lines[2:]))
    with pytest.raises(WrongInput, match="line 2 does not follow"):
        Journal(tmp_path / "short", new=False)


def test_a_number_that_is_not_finite_is_refused(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j", new=True)
    with pytest.raises(ValueError, match="Out of range float values"):
        journal.append("effect", 0, got=float("nan"))
    journal.close()
    assert (tmp_path / "j").read_bytes() == b""


def test_a_journal_is_not_begun_over_another_one(tmp_path: Path) -> None:
    written(tmp_path / "j")
    with pytest.raises(BenchFailure, match="cannot be opened"):
        Journal(tmp_path / "j", new=True)


def test_a_journal_has_one_writer(tmp_path: Path) -> None:
    """Two that append would break the chain, and with it lose the run."""
    (tmp_path / "run").mkdir()
    journal = Journal(tmp_path / "run" / "j", new=True)
    with pytest.raises(BenchFailure, match="run run is still conducted by another process"):
        Journal(tmp_path / "run" / "j", new=False)
    journal.append("effect", 0, got=1)
    journal.close()
    Journal(tmp_path / "run" / "j", new=False).close()


def test_an_onlooker_sees_a_line_only_once_it_is_in_the_file(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j", new=True)
    seen: list[bool] = []
    journal.watch(lambda line: seen.append((tmp_path / "j").read_bytes().endswith(line.raw)))
    journal.append("effect", 0, got=1)
    journal.append("effect", 1, got=2)
    journal.close()
    assert seen == [True, True]

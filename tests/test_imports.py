"""The direction of dependence, and which library stays behind which seam."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MAY_IMPORT = {
    "drivers": {"drivers"},
    "acq": {"acq", "drivers"},
    "sequences": {"sequences", "acq", "drivers"},
    "simulated_bench": {"simulated_bench"},
}
ONLY_HERE = {
    "pyvisa": {"drivers/wire.py", "drivers/visa_session.py"},
    "pyvisa_py": {"drivers/wire.py", "drivers/visa_session.py"},
    "sqlalchemy": {"acq/records"},
    "alembic": {"acq/records"},
    "typst": {"acq/certificates/typesetting.py"},
    "GTC": {"acq/readings", "acq/analysis", "acq/validation"},
    "pint": {"acq/readings", "acq/cells", "acq/desk"},
    "fcntl": {"drivers/port_lock.py"},
    "pty": {"simulated_bench"},
}
NOT_IN_ANALYSIS = {"acq.desk", "acq.records", "acq.bench", "acq.runs", "acq.certificates"}


@cache
def modules_imported_by(file: Path) -> set[str]:
    """Return the full names of the modules that a file imports."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
    return names


def files_of(package: str) -> list[Path]:
    files = sorted((ROOT / package).rglob("*.py"))
    assert files, package
    return files


@pytest.mark.parametrize("package", MAY_IMPORT)
def test_packages_import_only_downwards(package: str) -> None:
    for file in files_of(package):
        tops = {name.partition(".")[0] for name in modules_imported_by(file)}
        assert tops & MAY_IMPORT.keys() <= MAY_IMPORT[package], file
        assert "tests" not in tops, file


@pytest.mark.parametrize(("library", "homes"), ONLY_HERE.items())
def test_a_library_stays_behind_its_seam(library: str, homes: set[str]) -> None:
    users = {
        file.relative_to(ROOT).as_posix()
        for package in MAY_IMPORT
        for file in files_of(package)
        if any(name.partition(".")[0] == library for name in modules_imported_by(file))
    }
    strangers = {user for user in users if not user.startswith(tuple(homes))}
    assert not strangers
    assert users, f"nobody uses {library} any more: take the line away"


def test_analysis_knows_neither_desk_nor_records_nor_bench() -> None:
    for file in files_of("acq/analysis"):
        for name in modules_imported_by(file):
            assert not any(name.startswith(other) for other in NOT_IN_ANALYSIS), file


def test_the_top_level_holds_the_rooms_and_nothing_else() -> None:
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "pyproject.toml",
        "uv.lock",  # git-ignored
        "acq",
        "drivers",
        "sequences",
        "simulated_bench",
        "tests",
    }
    found = {each.name for each in ROOT.iterdir() if not each.name.startswith((".", "__"))}
    assert found <= allowed

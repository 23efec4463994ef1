"""What every test gets: a home of its own, and a look at what it left open."""

from __future__ import annotations

import gc
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

# a loaded machine is no mistake of the code: speed is measured in tests/benchmarks, as ratios
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")


# what a test may lack elsewhere, but not where everything is installed
_TO_BE_HAD = ("PostgreSQL", "C compiler", "Chromium", "dependency group", "could not import")


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Where everything is installed (BRIDGEBENCH_ALL_TESTS) a skipped test is a failure."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("BRIDGEBENCH_ALL_TESTS") and reporter is not None and exitstatus == 0:
        skipped = [
            report
            for report in reporter.stats.get("skipped", [])
            if any(word in str(report.longrepr) for word in _TO_BE_HAD)
        ]
        if skipped:
            reporter.write_line(f"{len(skipped)} tests were skipped where none may be", red=True)
            session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.fixture(autouse=True)
def empty_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Every test has empty data, config and runtime folders, and no records named from outside."""
    home = tmp_path_factory.mktemp("home")
    for variable in ("XDG_DATA_HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME"):
        monkeypatch.setenv(variable, str(home / variable.lower()))
    for variable in ("BRIDGEBENCH_RECORDS", "BRIDGEBENCH_CELLS", "BRIDGEBENCH_BENCH"):
        monkeypatch.delenv(variable, raising=False)
    return home


@pytest.fixture(autouse=True)
def descriptors_are_given_back(empty_home: Path) -> Iterator[None]:  # noqa: ARG001  (order)
    """No test may leave a port, a file or a pipe open behind it."""
    before = _open_descriptors()
    yield
    left = _open_descriptors() - before
    if left:
        gc.collect()  # what is only waiting to be collected was not leaked
        left = _open_descriptors() - before
    assert not left, f"left open: {sorted(left)}"


def _open_descriptors() -> set[str]:
    """Return what is open, by number and target; kernel helpers of libraries do not count."""
    found: set[str] = set()
    folder = Path("/proc/self/fd")
    if not folder.is_dir():
        return found
    for entry in os.listdir(folder):
        try:
            target = os.readlink(folder / entry)
        except OSError:
            continue  # the listing's own descriptor
        if not target.startswith(("/dev/urandom", "anon_inode:[eventpoll]", "/dev/null")):
            found.add(f"{entry} {target}")
    return found


@pytest.fixture(scope="session")
def vendor_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A VISA library as vendors ship them, in C, built here; skips where no C compiler is."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("C compiler not found")
    source = Path(__file__).parent / "drivers" / "visa_library.c"
    flags = ("-Wall", "-Wextra", "-Werror", "-shared", "-fPIC")
    built = tmp_path_factory.mktemp("visa") / "libvisa.so"
    subprocess.run([compiler, *flags, "-o", str(built), str(source)], check=True)
    return built

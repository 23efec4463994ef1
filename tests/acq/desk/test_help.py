"""`--help` answers at once: no command's own file loads what only its work needs."""

from __future__ import annotations

import subprocess
import sys

from acq.desk.command_line import COMMANDS

HEAVY = {"numpy", "scipy", "GTC", "sqlalchemy", "pyvisa", "pydantic", "rich", "reportlab"}


def test_the_list_of_commands_loads_no_large_library() -> None:
    code = (
        "import sys\n"
        "from acq.desk.command_line import run_command\n"
        "assert run_command(['--help']) == 0\n"
        f"print('loaded:', *sorted({HEAVY!r} & set(sys.modules)))"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    *listed, loaded = told.stdout.splitlines()
    assert loaded == "loaded:"
    assert all(any(line.split()[:1] == [name] for line in listed) for name in COMMANDS)

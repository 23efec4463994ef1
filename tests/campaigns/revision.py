"""Which state of the program a table was made with."""

from __future__ import annotations

import subprocess
from pathlib import Path


def revision() -> str:
    """Return the short name of the commit."""
    command = ["git", "rev-parse", "--short", "HEAD"]
    here = Path(__file__).parent
    told = subprocess.run(command, cwd=here, capture_output=True, text=True, check=False)
    return told.stdout.strip() or "an unknown revision"

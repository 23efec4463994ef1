"""Who sits at the computer, as far as it knows."""

from __future__ import annotations

import getpass


def login_name() -> str:
    """Return the login name, "unnamed" where there is none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unnamed"

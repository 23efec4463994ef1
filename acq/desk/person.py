"""Who sits at the computer, as far as it knows."""

from __future__ import annotations

import getpass

import click


def login_name() -> str:
    """Return the login name, "unnamed" where there is none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unnamed"


def reason_given(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    """Check an option that keeps a reason: left out, or more than blanks."""
    if value is not None and not value.strip():
        raise click.BadParameter("say the reason in a few words; it is kept", ctx, param)
    return value

"""Command groups whose members are imported when they are called, so that help answers at once."""

from __future__ import annotations

import difflib
import importlib
from typing import Any

import click


class LazyGroup(click.Group):
    """A group that knows its members by `name -> "module:click command"`."""

    def __init__(self, *args: Any, members: dict[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._members = members

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return sorted(self._members)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the members with their whole first sentence, wrapped and not cut."""
        members = {name: self.get_command(ctx, name) for name in self.list_commands(ctx)}
        rows = [(name, each.get_short_help_str(200)) for name, each in members.items() if each]
        with formatter.section("Commands"):
            formatter.write_dl(rows)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        where = self._members.get(cmd_name)
        if where is None:
            return None
        module, _, name = where.partition(":")
        command = getattr(importlib.import_module(module), name)
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in self._members and not name.startswith("-"):
            near = difflib.get_close_matches(name, self._members, n=3, cutoff=0.4)
            hint = f"; near it: {', '.join(near)}" if near else f"; see {ctx.command_path} --help"
            raise click.UsageError(f"no command {name!r}{hint}")
        return super().resolve_command(ctx, args)

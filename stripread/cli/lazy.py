"""Groups of commands that import a command only when it is called."""

from __future__ import annotations

import builtins
import keyword
from collections.abc import Mapping
from importlib import import_module
from typing import Any

import click


class SuggestingGroup(click.Group):
    """Names the nearest command where there is none of the name given."""

    def resolve_command(
            self, ctx: click.Context, args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
        """Find a command as click does. Fails with the nearest name, or all names, where there is none."""
        named, known = args[0], self.list_commands(ctx)
        if self.get_command(ctx, named) is None and not named.startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(named, known, n=1)
            ctx.fail(f"No such command {named!r}. " + (f"Did you mean {near[0]!r}?" if near else
                                                       f"Commands: {', '.join(known)}."))
        return super().resolve_command(ctx, args)


class LazyGroup(SuggestingGroup):
    """Lists its commands from ``lines`` (name, line in the overview), so that overview and every start are quick.

    A command lies in the module of ``package`` that has its name, as a function of that name; where the name is a
    word of Python or of its built-ins, or has a hyphen, with ``_`` as its last letter or in place of the hyphen.
    """

    def __init__(self, *args: Any, package: str, lines: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.package = package
        self.lines = lines

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the work."""
        return list(self.lines)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of a name, imported now."""
        if cmd_name not in self.lines:
            return None
        taken = keyword.iskeyword(cmd_name) or hasattr(builtins, cmd_name)
        name = cmd_name.replace("-", "_") + "_" * taken
        command = getattr(import_module(f"{self.package}.{name}"), name)
        if not isinstance(command, click.Command):
            raise TypeError(f"{self.package}.{name}.{name} is no command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The overview of subcommands."""
        with formatter.section("Commands"):
            formatter.write_dl(list(self.lines.items()))

"""Commands and groups: help that ends with examples, suggestions for mistyped names, imports only when called."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import Any

import click


class ExampleCommand(click.Command):
    """A command whose help ends with worked ``examples``, wrapped so that they can be copied to a shell."""

    def __init__(self, *args: Any, examples: Sequence[str] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.examples = tuple(examples)

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the epilog, then the examples."""
        super().format_epilog(ctx, formatter)
        if not self.examples:
            return
        with formatter.section("Examples"):
            for example in self.examples:
                for line in shell_lines(example, formatter.width - formatter.current_indent):
                    formatter.write(" " * formatter.current_indent + line + "\n")


def shell_lines(line: str, width: int) -> list[str]:
    """Return a command line as lines of at most ``width`` columns, continued by backslashes."""
    *firsts, last = textwrap.wrap(line, width - 2, subsequent_indent="  ", break_long_words=False,
                                  break_on_hyphens=False)
    return [*(f"{first} \\" for first in firsts), last]


class CommandGroup(ExampleCommand, click.Group):
    """A group of commands in the order of their definition; suggests the nearest name for a mistyped one."""

    command_class = ExampleCommand

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return names in the order of the work."""
        return list(self.commands)

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

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the overview: each command with the first paragraph of its help."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, self.line(ctx, name)) for name in self.list_commands(ctx)])

    def line(self, ctx: click.Context, name: str) -> str:
        """Return a command's line in the overview."""
        command = self.get_command(ctx, name)
        return first_line(command) if command else ""


def first_line(command: click.Command) -> str:
    """Return the first paragraph of a command's help."""
    return " ".join((command.help or "").split("\n\n")[0].split())


class LazyGroup(CommandGroup):
    """Lists its commands from ``lines`` (name, line in the overview), so that overview and every start are quick.

    A command is in the module of ``package`` that has its name, as a function of that name, with ``_`` appended where
    the name is a built-in function of Python.
    """

    def __init__(self, *args: Any, package: str, lines: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.package = package
        self.lines = lines

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return names in the order of the work."""
        return list(self.lines)

    def line(self, ctx: click.Context, name: str) -> str:
        """Return a command's line without importing the command."""
        return self.lines[name]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the command of a name, imported now."""
        if cmd_name not in self.lines:
            return None
        module = import_module(f"{self.package}.{cmd_name}")
        command = getattr(module, f"{cmd_name}_", None) or getattr(module, cmd_name)
        if not isinstance(command, click.Command):
            raise TypeError(f"{module.__name__}.{cmd_name} is not a command")
        return command

"""``stripread help``: pages of the manual in the terminal."""

from __future__ import annotations

import sys
from importlib.resources import files

import click

from shared.errors import InputError
from stripread.cli.commands import ExampleCommand
from stripread.cli.output import echo, width


@click.command(cls=ExampleCommand, examples=("stripread help", "stripread help glossary"))
@click.argument("topic", required=False)
def help_(topic: str | None) -> None:
    """Show a page of the manual.

    Without TOPIC, list the pages.
    """
    pages = _pages()
    if topic is None:
        echo("\n".join(f"{name:12}  {_title(text)}" for name, text in pages.items()))
    elif topic in pages:
        _show(pages[topic])
    else:
        raise InputError("there is no such page", where="help", found=topic, allowed=", ".join(pages))


def _pages() -> dict[str, str]:
    """Return the Markdown pages by topic."""
    found = (page for page in files("stripread").joinpath("manual").iterdir() if page.name.endswith(".md"))
    return {page.name.removesuffix(".md"): page.read_text("utf-8") for page in sorted(found, key=lambda p: p.name)}


def _title(text: str) -> str:
    return text.partition("\n")[0].lstrip("# ")


def _show(text: str) -> None:
    """Print a page, formatted on a terminal and as Markdown elsewhere."""
    if not sys.stdout.isatty():
        echo(text.rstrip())
        return
    from rich.console import Console
    from rich.markdown import Markdown

    Console(width=width()).print(Markdown(text))

"""``stripread help``: pages of the manual in the terminal."""

from __future__ import annotations

import sys

import click

from shared.errors import InputError
from stripread.cli.commands import ExampleCommand
from stripread.cli.output import echo, width


@click.command(cls=ExampleCommand, examples=("stripread help", "stripread help glare",
                                             "stripread help --search chloride"))
@click.argument("topic", required=False)
@click.option("--search", "words", metavar="WORDS", help="Pages that contain all WORDS.")
def help_(topic: str | None, words: str | None) -> None:
    """Show a page of the manual.

    TOPIC is a page or a flag, such as glare. Without TOPIC, list the pages.
    """
    from shared.flags import FLAGS
    from stripread.manual.library import manual_pages, search

    pages = manual_pages()
    if words is not None:
        matches = search(words)
        echo("\n".join(f"{m.page.topic:13} {m.line}" for m in matches) if matches else f"No page contains: {words}")
    elif topic is None:
        echo("\n".join(f"{name:13} {page.title}" for name, page in pages.items()))
    elif topic in pages:
        _show(pages[topic].text)
    elif topic in FLAGS:
        echo(f"{topic}: {FLAGS[topic].words}\nAll flags: stripread help flags")
    else:
        raise InputError("there is no such page or flag", where="help", found=topic, allowed=", ".join(pages))


def _show(text: str) -> None:
    """Print a page, formatted on a terminal and as Markdown elsewhere."""
    if not sys.stdout.isatty():
        echo(text.rstrip().encode())
        return
    from rich.console import Console
    from rich.markdown import Markdown

    Console(width=width()).print(Markdown(text))

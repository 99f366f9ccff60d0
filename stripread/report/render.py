"""Templates to pages: everything escaped, nothing fetched, every unknown name an error."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from shared.files import write_whole
from stripread.version import __version__


@cache
def environment() -> Environment:
    """The templates of this package."""
    made = Environment(loader=PackageLoader("stripread.report"), autoescape=True, undefined=StrictUndefined,
                       trim_blocks=True, lstrip_blocks=True)
    made.globals["version"] = __version__
    return made


def write_page(path: Path, template: str, *, context: Mapping[str, object]) -> None:
    """Render a template into a file. Raises FileError where the file cannot be written."""
    write_whole(path, rendered(template, context))


def rendered(template: str, context: Mapping[str, object]) -> bytes:
    """A template's page."""
    return environment().get_template(template).render(context).encode()

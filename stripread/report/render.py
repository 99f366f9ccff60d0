"""Rendering of templates: all texts are escaped, unknown names raise an error."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from shared.files import write_whole
from shared.notation import significant
from stripread.version import __version__

_DAY: Final = re.compile(r"\d{4}-\d\d-\d\d")


@cache
def environment() -> Environment:
    """Return the templates of this package."""
    made = Environment(loader=PackageLoader("stripread.report"), autoescape=True, undefined=StrictUndefined,
                       trim_blocks=True, lstrip_blocks=True)
    made.globals["version"] = __version__
    made.filters["whole_days"] = whole_days
    made.filters["significant"] = significant
    return made


def whole_days(words: str) -> Markup:
    """Return a text escaped, with dates protected from line breaks."""
    # The text is escaped here.
    return Markup(_DAY.sub(r'<span class="unit">\g<0></span>', str(escape(words))))  # noqa: S704


def write_page(path: Path, template: str, *, context: Mapping[str, object]) -> None:
    """Render a template into a file. Raises FileError where the file cannot be written."""
    write_whole(path, rendered(template, context))


def rendered(template: str, context: Mapping[str, object]) -> bytes:
    """Return a rendered template."""
    return environment().get_template(template).render(context).encode()

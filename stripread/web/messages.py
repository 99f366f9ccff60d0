"""Every text of the pages, in one file a language; a text is asked for by its section and name."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files

#: The language there is; another is another file beside it with the same names.
LANGUAGE = "en"


class Messages:
    """The texts of a language: ``words("sign-in.title")``; ``{name}`` in a text is filled in."""

    def __init__(self, texts: dict[str, dict[str, str]]) -> None:
        self.texts = texts

    def __call__(self, id_: str, **filled: object) -> str:
        """A text. Raises KeyError for one that is not there: a fault of the program."""
        section, _, name = id_.partition(".")
        return self.texts[section][name].format(**filled)

    def section(self, name: str) -> dict[str, str]:
        """All texts of a section, as scripts take them."""
        return self.texts[name]


@cache
def load_messages(language: str = LANGUAGE) -> Messages:
    """The texts of a language."""
    return Messages(tomllib.loads((files("stripread.web") / "words" / f"{language}.toml").read_text(encoding="utf-8")))

"""Texts of the pages: for each language a file, and a folder with a file by subject; each has a section and a key."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files

#: Default language. A further language is a further file and folder with the same sections and keys.
LANGUAGE = "en"


class Messages:
    """Texts of one language: ``messages("sign-in.title")``; ``{name}`` in a text is filled in."""

    def __init__(self, texts: dict[str, dict[str, str]]) -> None:
        self.texts = texts

    def __call__(self, id_: str, **filled: object) -> str:
        """Return a text. Raises KeyError for an unknown key, which is a bug."""
        section, _, name = id_.partition(".")
        return self.texts[section][name].format(**filled)

    def section(self, name: str) -> dict[str, str]:
        """Return all texts of a section, for scripts."""
        return self.texts[name]


@cache
def load_messages(language: str = LANGUAGE) -> Messages:
    """Return the texts of a language."""
    home = files("stripread.web") / "messages"
    found: dict[str, dict[str, str]] = {}
    for file in (home / f"{language}.toml", *(home / language).iterdir()):
        for section, texts in tomllib.loads(file.read_text(encoding="utf-8")).items():
            found.setdefault(section, {}).update(texts)
    return Messages(found)

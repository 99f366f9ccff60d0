"""Errors caused by input: each states what is wrong, where, what was found, what is allowed and what to do."""

from __future__ import annotations

from typing import Self

#: Letters of one part of a message.
_MOST_LETTERS = 600


class StripReadError(Exception):
    """Base of every error this project raises on purpose."""


class InputError(StripReadError, ValueError):
    """Something a user gave cannot be used.

    ``where`` names the file, line, key or option; ``found`` is the value there; ``allowed`` the accepted
    values; ``remedy`` the next step for the person reading the message; ``field`` the record's field concerned.
    """

    def __init__(
        self, what: str, *, where: str, found: str = "", allowed: str = "", remedy: str = ""
    ) -> None:
        self.what = _shortened(what)
        self.where = _shortened(where)
        self.found = _shortened(found)
        self.allowed = allowed
        self.remedy = remedy
        self.field = ""
        super().__init__(self.message)

    def of_field(self, name: str) -> Self:
        """Return this error, with the field concerned."""
        self.field = name
        return self

    def __reduce__(self) -> tuple[object, ...]:
        """Return how another process restores the error: by its parts, whatever arguments its type takes."""
        return _restored, (type(self), self.__dict__)

    @property
    def message(self) -> str:
        """The whole message on one line: ``where: what; found ...; allowed ...; remedy``."""
        parts = [f"{self.where}: {self.what}"]
        if self.found:
            parts.append(f"found {self.found}")
        if self.allowed:
            parts.append(f"allowed: {self.allowed}")
        if self.remedy:
            parts.append(self.remedy)
        return "; ".join(parts)


def _restored(kind: type[InputError], parts: dict[str, str]) -> InputError:
    error = kind.__new__(kind)
    error.__dict__.update(parts)
    Exception.__init__(error, error.message)
    return error


def _shortened(text: str) -> str:
    """A part of a message, shortened in the middle if the input made it too long."""
    if len(text) <= _MOST_LETTERS:
        return text
    half = _MOST_LETTERS // 2
    return f"{text[:half]} ... {text[-half:]} ({len(text)} characters)"


class PhotoError(InputError):
    """The bytes are not a photograph that the program can evaluate."""


class FileError(InputError):
    """A card, strip type, profile, standards table, chart, equipment or limits file cannot be used."""


class QuantityError(InputError):
    """A number or unit typed by a person cannot be used."""


class MismatchError(InputError):
    """Two valid files do not belong together (chart and card, profile and print run)."""

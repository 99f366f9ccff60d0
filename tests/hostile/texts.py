"""Mutated charts, profiles and tables, each drawn from a seed: values at the limits of their types, parts removed."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any, Final

import numpy as np

Draw = np.random.Generator
#: JSON numbers at the limits of doubles and integers, and texts no field expects.
NUMBERS: Final = (0, -1, 1, 1e308, -1e308, 1e-320, 1e16, -1e16, 2**31, -(2**31) - 1, 2**63, 10**40, 0.5, 1e6)
TEXTS: Final = ("", "\0", "\x1b[31m", "x" * 20_000, "\u202e", "-1", "1e999", "NaN", "../../etc", "\U0010ffff",
                "0001-01-01")


def mutated_json(source: bytes, number: int) -> bytes:
    """A JSON document with one to three of its values changed."""
    draw = np.random.default_rng([number, 15])
    document = json.loads(source)
    for _ in range(int(draw.integers(1, 4))):
        _change(document, draw)
    return json.dumps(document).encode()


def _change(document: Any, draw: Draw) -> None:
    """Go down to a value drawn at random and put another in its place; lists and objects may lose or repeat one."""
    places = list(_path(document, draw))
    if not places:
        return
    holder, key = places[-1] if draw.random() < 0.7 else places[draw.integers(len(places))]
    deed = draw.integers(10)
    if deed == 0:
        del holder[key]
    elif deed == 1 and isinstance(holder, list):
        holder.insert(key, holder[key])
    else:
        holder[key] = _other(holder[key], draw)


def _path(value: Any, draw: Draw) -> Iterator[tuple[Any, Any]]:
    while isinstance(value, dict | list) and value:
        keys = list(value) if isinstance(value, dict) else list(range(len(value)))
        key = keys[draw.integers(len(keys))]
        yield value, key
        value = value[key]


def _other(value: object, draw: Draw) -> object:
    """Mostly of the same type, at its limits."""
    if draw.random() < 0.15:
        return [None, True, [], {}, "text", 7][draw.integers(6)]
    if isinstance(value, int | float) and not isinstance(value, bool):
        return [*NUMBERS, value * 1e9, -value][draw.integers(len(NUMBERS) + 2)]
    return TEXTS[draw.integers(len(TEXTS))] if isinstance(value, str) else None


def mutated_text(source: bytes, number: int) -> bytes:
    """A text file with one to three fields or lines changed."""
    draw = np.random.default_rng([number, 16])
    lines = source.decode().split("\n")
    for _ in range(int(draw.integers(1, 4))):
        _LINES[draw.integers(len(_LINES))](lines, draw)
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def _field(lines: list[str], draw: Draw) -> None:
    at = int(draw.integers(len(lines)))
    mark = "," if "," in lines[at] else " "
    fields = lines[at].split(mark)
    fields[draw.integers(len(fields))] = [*TEXTS, *map(str, NUMBERS)][draw.integers(len(TEXTS) + len(NUMBERS))]
    lines[at] = mark.join(fields)


def _drop(lines: list[str], draw: Draw) -> None:
    del lines[draw.integers(len(lines))]
    lines.append("")


def _again(lines: list[str], draw: Draw) -> None:
    at = int(draw.integers(len(lines)))
    lines.insert(at, lines[at])


def _cut(lines: list[str], draw: Draw) -> None:
    at = int(draw.integers(len(lines)))
    lines[at] = lines[at][: int(draw.integers(len(lines[at]) + 1))]


_LINES: Final[tuple[Callable[[list[str], Draw], None], ...]] = (_field, _field, _field, _drop, _again, _cut)

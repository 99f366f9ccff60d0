"""Conversion of SVG paths of marks to points, for the commands that `frame.SHAPES` uses."""

from __future__ import annotations

import re
from collections.abc import Iterator
from math import cos, pi, sin

Point = tuple[float, float]

_TOKEN = re.compile(r"[a-zA-Z]|-?(?:\d+\.?\d*|\.\d+)")
#: Number of arguments of a command; an arc is a half circle: radius, flags and end.
_TAKES = {"m": 2, "l": 2, "h": 1, "v": 1, "a": 7, "z": 0}
_STEPS = 12


def outline(path: str) -> list[Point]:
    """Return the points of a closed outline about (0, 0), y downwards. Raises ValueError for an unknown command."""
    points: list[Point] = [(0.0, 0.0)]
    for command, numbers in _commands(path):
        points += _drawn(command, numbers, points[-1])
    return points[1:]


def _commands(path: str) -> Iterator[tuple[str, list[float]]]:
    tokens, command = _TOKEN.findall(path), ""
    while tokens:
        command = tokens.pop(0) if tokens[0].isalpha() else {"M": "L", "m": "l"}.get(command, command)
        if command.lower() not in _TAKES:
            raise ValueError(f"unknown path command {command!r}")
        n = _TAKES[command.lower()]
        yield command, [float(tokens.pop(0)) for _ in range(n)]


def _drawn(command: str, numbers: list[float], at: Point) -> list[Point]:
    x, y = at if command.islower() else (0.0, 0.0)
    match command.lower():
        case "m" | "l":
            return [(x + numbers[0], y + numbers[1])]
        case "h":
            return [(x + numbers[0], at[1])]
        case "v":
            return [(at[0], y + numbers[0])]
        case "a":
            return _half_circle(at, (x + numbers[5], y + numbers[6]))
        case _:
            return []


def _half_circle(start: Point, end: Point) -> list[Point]:
    """Return a half circle from one end of a diameter to the other, clockwise as y points down."""
    cx, cy = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    dx, dy = start[0] - cx, start[1] - cy
    turns = (pi * i / _STEPS for i in range(1, _STEPS + 1))
    return [(cx + dx * cos(t) - dy * sin(t), cy + dx * sin(t) + dy * cos(t)) for t in turns]

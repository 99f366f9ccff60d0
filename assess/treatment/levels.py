"""Levels of intervention: how much a treatment changes."""

from __future__ import annotations

from typing import Final, Literal

Kind = Literal[
    "none",
    "test-interval",
    "drain-and-refresh",
    "particle-filter",
    "carbon-filter",
    "scale-inhibitor",
    "softener-bypass",
    "calcite-contact",
    "mineral-dosing",
    "weak-acid-exchange",
    "magnesium-exchange",
    "sodium-softening",
    "osmosis-blend",
    "osmosis-calcite",
    "osmosis-doses",
]

#: Each kind by its level, from leaving the water alone to rebuilding it (common practice, no source).
LEVEL: Final[dict[Kind, int]] = {kind: level for level, kind in enumerate(Kind.__args__)}  # type: ignore[attr-defined]


def is_membrane(kind: Kind) -> bool:
    """Whether it is reverse osmosis, however finished."""
    return kind.startswith("osmosis")

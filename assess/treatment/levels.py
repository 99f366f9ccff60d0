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

#: Each kind by its level, from no change to a complete rebuild of the water (common practice, no source).
LEVEL: Final[dict[Kind, int]] = {kind: level for level, kind in enumerate(Kind.__args__)}  # type: ignore[attr-defined]


def is_membrane(kind: Kind) -> bool:
    """Return whether it is reverse osmosis, with any remineralisation."""
    return kind.startswith("osmosis")

"""Nested analysis of variance: how much of a scatter comes from each stage, whatever the group sizes.

Sums of squares and their expectations for unequal groups: Searle, Casella, McCulloch, Variance Components,
Wiley 1992, 3.6 and 5.3; for one stage it is the repeatability and between-laboratory variance of ISO 5725-2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Labels = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage's sum of squares on ``dof``, and the variance it adds (negative: none was found)."""

    sum_of_squares: float
    dof: int
    variance: float

    @property
    def sd(self) -> float:
        """Standard deviation that the stage adds; a negative estimate counts as none (ISO 5725-2, 7.4.5)."""
        return float(np.sqrt(max(self.variance, 0.0)))


def nested(values: Array, groups: Sequence[Sequence[object]]) -> tuple[Stage, ...]:
    """Stages from the outermost grouping to the values within the innermost.

    ``values`` (n,); each of ``groups`` labels every value, outermost first: (lights, strips) for instance.
    Raises ValueError where a stage has no degrees of freedom.
    """
    cells = _cells(len(values), groups)
    # Centred first, or the sums would drown the digits that differ.
    squares = np.diff([_sum_of_cells(values - values.mean(), cell) for cell in cells])
    dof = np.diff([int(cell.max()) + 1 for cell in cells])
    if (dof < 1).any():
        raise ValueError("a level of the nesting must have more groups than the one above")
    # Each variance enters the sums of its own stage and of all outer ones.
    expected = np.diff([[_share(outer, inner) for inner in cells[1:]] for outer in cells], axis=0)
    variance = np.linalg.solve(expected, squares)
    return tuple(Stage(float(s), int(d), float(v)) for s, d, v in zip(squares, dof, variance, strict=True))


def _cells(n: int, groups: Sequence[Sequence[object]]) -> list[Labels]:
    """Numbers of the cells that each value lies in: all, by each grouping within the one before, its own."""
    keys: list[list[object]] = [[()] * n]
    for group in groups:
        keys.append(list(zip(keys[-1], group, strict=True)))
    numbered = []
    for key in keys:
        number = {k: i for i, k in enumerate(dict.fromkeys(key))}
        numbered.append(np.array([number[k] for k in key], dtype=np.int64))
    return [*numbered, np.arange(n)]


def _sum_of_cells(values: Array, cell: Labels) -> float:
    """Sum over cells of (sum of values)^2 / count."""
    return float((np.bincount(cell, values) ** 2 / np.bincount(cell)).sum())


def _share(outer: Labels, inner: Labels) -> float:
    """Coefficient of the inner stage's variance in the expectation of `_sum_of_cells` over ``outer``."""
    # Cells are numbered as they appear, so of two nested groupings the finer has the larger numbers.
    _, first, size = np.unique(np.maximum(outer, inner), return_index=True, return_counts=True)
    return float((np.bincount(outer[first], size.astype(np.float64) ** 2) / np.bincount(outer)).sum())

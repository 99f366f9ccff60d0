"""Estimates that a few stray points hardly move."""

from __future__ import annotations

from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

Real = TypeVar("Real", np.float32, np.float64)


def median(values: NDArray[Real]) -> NDArray[Real]:
    """Median (..., 1) along the last axis; a partition at one place takes half as long as NumPy's at two."""
    half = values.shape[-1] // 2
    parted: NDArray[Real] = np.partition(values, half, axis=-1)
    upper = parted[..., half, None]
    return upper if values.shape[-1] % 2 else (upper + parted[..., :half].max(axis=-1, keepdims=True)) / 2


def line(points: NDArray[np.float32]) -> tuple[float, float, float, float]:
    """A point and the direction of a line through points (n, 2); strays count less (Huber)."""
    vx, vy, x, y = cv2.fitLine(points, cv2.DIST_HUBER, 0, 0.01, 0.01).ravel().tolist()
    return x, y, vx, vy

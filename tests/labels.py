"""Printed labels as a camera sees them: a code lying in a photograph."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.labels import Label
from stripread.report.standards import code

Image = NDArray[np.uint8]


def printed(label: Label, *, module_px: int = 8) -> Image:
    """The label's code in grey, four modules of white around it."""
    dark = np.array(tuple(code(label).matrix_iter(scale=module_px, border=4)), dtype=bool)
    return np.where(dark, 30, 225).astype(np.uint8)


def photographed(picture: Image, label: Image, *, at: tuple[int, int], side: float, turned: float) -> Image:
    """The label lying in a photograph, ``side`` px wide, turned, tilted, and a little soft (sigma 0.8 px)."""
    n = label.shape[0]
    angle = np.radians(turned)
    corners = np.array([[-1, -1], [1, -1.06], [0.96, 1], [-1.02, 0.97]]) * side / 2
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    to = (corners @ turn.T + at).astype(np.float32)
    h = cv2.getPerspectiveTransform(np.array([[0, 0], [n, 0], [n, n], [0, n]], np.float32), to)
    size = (picture.shape[1], picture.shape[0])
    soft = cv2.GaussianBlur(cv2.warpPerspective(label, h, size, flags=cv2.INTER_AREA), (0, 0), 0.8)
    mask = cv2.warpPerspective(np.full_like(label, 255), h, size)[..., None] > 127
    return np.where(mask, soft[..., None] * np.array([0.85, 0.95, 1.0]), picture).astype(np.uint8)

"""The printed label of a standard, found and read in a photograph."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.label import Label, read_label

#: Longest sides, in pixels, at which a code is looked for: enlarging helps a small code, shrinking a noisy one.
_SIDES: Final = (1200, 2200, 3200)
#: Enlarged more than this nothing new is seen.
_LARGEST_SCALE: Final = 3.0


def decode_label(image: NDArray[np.uint8]) -> Label | None:
    """The label in an 8-bit grey or colour image, (rows, columns[, 3]), or None where none can be read."""
    grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY) if image.ndim == 3 else image
    for scale in dict.fromkeys(min(side / max(grey.shape), _LARGEST_SCALE) for side in _SIDES):
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        for text in _codes(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=how).astype(np.uint8)):
            label = read_label(text)
            if label is not None:
                return label
    return None


def _codes(grey: NDArray[np.uint8]) -> Iterator[str]:
    """Texts of the codes that can be read; OpenCV's searches for many and for one miss different ones."""
    for search in (_many, _one):
        try:
            yield from filter(None, search(grey))
        except cv2.error:  # raised on some false finds; those are no labels
            continue


def _many(grey: NDArray[np.uint8]) -> Sequence[str]:
    return cv2.QRCodeDetector().detectAndDecodeMulti(grey)[1]


def _one(grey: NDArray[np.uint8]) -> Sequence[str]:
    return [cv2.QRCodeDetector().detectAndDecode(grey)[0]]

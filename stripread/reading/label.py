"""The printed label of a standard, found and read in a photograph."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.label import Label, read_label

#: Longest sides, in pixels, at which a code is looked for: small first, which also forgives blur and noise.
_SIDES = (1200, 2000, 4000)


def decode_label(image: NDArray[np.uint8]) -> Label | None:
    """The label in an 8-bit grey or colour image, (rows, columns[, 3]), or None where none can be read."""
    side = max(image.shape[:2])
    for wanted in (*(s for s in _SIDES if s < side), side):
        scale = wanted / side
        smaller = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        for text in _codes(smaller.astype(np.uint8, copy=False)):
            label = read_label(text)
            if label is not None:
                return label
    return None


def _codes(image: NDArray[np.uint8]) -> tuple[str, ...]:
    """Texts of the QR codes found; a code that is seen but not read says nothing."""
    try:
        _, texts, _, _ = cv2.QRCodeDetector().detectAndDecodeMulti(image)
    except cv2.error:
        # The decoder asserts on some false finds; such a find is no label.
        return ()
    return tuple(t for t in texts if t)

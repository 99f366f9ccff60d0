"""The printed labels of standards, found and read in a photograph."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.labels import Label, read_label

#: Longest sides, in pixels, at which a code is looked for: enlarging helps a small code, shrinking a noisy one.
_SIDES: Final = (1200, 2200, 3200)
#: Enlarged more than this nothing new is seen.
_LARGEST_SCALE: Final = 3.0

_Code = tuple[str, NDArray[np.generic]]


def labels_in(image: NDArray[np.uint8] | NDArray[np.uint16]) -> tuple[Label, ...]:
    """The different labels that can be read in a grey or colour image, (rows, columns[, 3]).

    All labels are about equally far away, so the search stops at the first size that can be read.
    """
    grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY) if image.ndim == 3 else image
    shallow = (grey / 257 if grey.dtype == np.uint16 else grey).astype(np.uint8)
    return next(filter(None, map(_labels, _scaled(shallow))), ())


def _scaled(grey: NDArray[np.uint8]) -> Iterator[NDArray[np.uint8]]:
    for scale in dict.fromkeys(min(side / max(grey.shape), _LARGEST_SCALE) for side in _SIDES):
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        yield cv2.resize(grey, None, fx=scale, fy=scale, interpolation=how).astype(np.uint8)


def _labels(grey: NDArray[np.uint8]) -> tuple[Label, ...]:
    """Labels at one size: labels that were read are covered, and the search continues until none is left."""
    texts: set[str] = set()
    while new := [c for search in (_many, _one) for c in search(grey) if c[0] not in texts]:
        texts |= {text for text, _ in new}
        covers = [np.rint(corners).astype(np.int32) for _, corners in new]
        grey = cv2.fillPoly(grey.copy(), covers, 255).astype(np.uint8)
    return tuple(label for text in sorted(texts) if (label := read_label(text)) is not None)


def _many(grey: NDArray[np.uint8]) -> list[_Code]:
    """Codes with their corners (4, 2), by OpenCV's search for many; its search for one misses different ones."""
    try:
        found, texts, corners, _ = cv2.QRCodeDetector().detectAndDecodeMulti(grey)
    except cv2.error:  # raised on some false finds; those are not labels
        return []
    return [code for code in zip(texts, corners, strict=True) if code[0]] if found else []


def _one(grey: NDArray[np.uint8]) -> list[_Code]:
    try:
        text, corners, _ = cv2.QRCodeDetector().detectAndDecode(grey)
    except cv2.error:
        return []
    return [(text, corners[0])] if text else []

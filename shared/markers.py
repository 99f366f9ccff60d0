"""The bit patterns of the card's corner markers, AprilTag 36h11, in the project's own table.

Cards are drawn from it and detectors are checked against it, so that no detector's notion of which way up
a marker is can turn a printed card.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

#: Cells along a marker's side without and with its black border.
CODE_CELLS, CELLS = 6, 8


@cache
def _codes() -> tuple[int, ...]:
    text = files("shared").joinpath("data/apriltag-36h11.txt").read_text(encoding="ascii")
    return tuple(int(line, 16) for line in text.splitlines() if not line.startswith("#"))


def marker_cells(code: int) -> NDArray[np.bool_]:
    """Cells (8, 8) of a marker, its black border included, from the top left; True is white."""
    cells = np.zeros((CELLS, CELLS), dtype=bool)
    bits = f"{_codes()[code]:0{CODE_CELLS**2}b}"
    cells[1:-1, 1:-1] = np.array([b == "1" for b in bits]).reshape(CODE_CELLS, CODE_CELLS)
    return cells

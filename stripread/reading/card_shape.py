"""Whether everything printed on a card is where its layout has it, markers are whole, and the bar has its length.

Taken from the edges of markers and dark patches. A card printed larger or smaller as a whole looks like one
nearer or farther; one stretched in a single direction looks like one tilted, so that it shows only in a
photograph from about straight above (square pixels, nothing cropped: Zhang, IEEE Trans. PAMI 22:1330, 2000, 3.1).

A bar of another length than the layout has is a card that is bent there, was printed from another file, or was
distorted. A print that came out larger or smaller as a whole has a bar of the right length on this scale: only a ruler
shows it.
"""

from __future__ import annotations

from typing import Final

import cv2
import msgspec
import numpy as np
from numpy.typing import NDArray

from shared.card import CELLS, marker_cells
from stripread.reading.edges import patch_edges, project
from stripread.reading.locate import grey_of
from stripread.reading.observe import Observation

Array = NDArray[np.float64]

#: Nine tenths of the patches' corners lie this near (mm) to their places on a good card: a third of the margin
#: that is left free inside a patch. On 36 good rendered photographs it was 0.1 to 0.3.
OUT_OF_PLACE_MM = 0.5
#: Focal lengths of cameras that people photograph cards with, as shares of the picture's diagonal: from wide to
#: twofold (24 to 52 mm on 36 x 24 mm film).
FOCAL = (0.55, 0.65, 0.8, 1.2)
#: Stretch that a lens or a slightly cropped picture can imitate.
STRETCHED = 0.01
#: A photograph does not determine the stretch if its interval is wider than this.
UNDETERMINED = 0.03


class CardShape(msgspec.Struct, frozen=True, kw_only=True):
    """``out_of_place_mm``: distance within which nine tenths of the patches' corners lie from their places.

    ``stretch``: width over height, 1 as designed, lowest and highest over the focal lengths that are possible.
    ``lost_cells``: cells of each marker seen that no longer show what they should.
    """

    out_of_place_mm: float
    stretch: tuple[float, float]
    lost_cells: tuple[int, ...]

    def faults(self) -> list[str]:
        """What is wrong with the shape, in words; nothing for a good card."""
        faults = []
        if self.out_of_place_mm > OUT_OF_PLACE_MM:
            faults.append(f"its print deviates by up to {self.out_of_place_mm:.1f} mm from the layout: it is bent, "
                          "or of another layout")
        low, high = self.stretch
        if not self.stretch_undetermined and not low - STRETCHED <= 1 <= high + STRETCHED:
            faults.append(f"it is printed {100 * abs((low + high) / 2 - 1):.0f} % too "
                          f"{'wide' if low > 1 else 'narrow'} for its height")
        if any(self.lost_cells):
            faults.append(f"its markers are damaged in {sum(self.lost_cells)} cells")
        return faults

    @property
    def stretch_undetermined(self) -> bool:
        """Whether a stretched print and a tilted card cannot be distinguished from this angle."""
        return self.stretch[1] - self.stretch[0] > UNDETERMINED


def shape_of(seen: Observation) -> CardShape:
    """The shape of the card in an observed photograph."""
    located = seen.located
    grey = grey_of(seen.photo.pixels)
    edges = patch_edges(grey, seen.card, located.homography)
    back = np.asarray(np.linalg.inv(located.homography), dtype=np.float64)
    off = np.linalg.norm(project(back, edges.corners) - edges.places, axis=-1)
    stretches = [_stretch(located.homography, grey.shape, share) for share in FOCAL]
    return CardShape(
        out_of_place_mm=round(float(np.quantile(off, 0.9)), 2),
        stretch=(round(min(stretches), 4), round(max(stretches), 4)),
        lost_cells=tuple(_lost_cells(grey, seen, corner) for corner in located.markers))


def _stretch(homography: Array, shape: tuple[int, ...], focal: float) -> float:
    """Length of the card's x axis over that of its y axis, freed from perspective for one focal length."""
    height, width = shape
    f = focal * np.hypot(height, width)
    camera = np.array([[f, 0.0, width / 2], [0.0, f, height / 2], [0.0, 0.0, 1.0]])
    axes = np.linalg.solve(camera, homography)
    return float(np.linalg.norm(axes[:, 0]) / np.linalg.norm(axes[:, 1]))


def _lost_cells(grey: NDArray[np.uint8], seen: Observation, corner: int) -> int:
    """Cells of a marker nearer to the other of its two tones."""
    side = seen.card.markers.side
    middles = (np.arange(CELLS) + 0.5) / CELLS * side
    around = np.array([-0.2, 0.0, 0.2]) * side / CELLS
    x, y = seen.card.markers.top_left_corners[corner]
    cells = np.stack(np.meshgrid(x + middles, y + middles), axis=-1)[:, :, None, None]
    px = seen.located.to_px(cells + np.stack(np.meshgrid(around, around), axis=-1)).reshape(1, -1, 2).astype(np.float32)
    tone = cv2.remap(grey, px[..., 0], px[..., 1], cv2.INTER_LINEAR).reshape(CELLS, CELLS, -1).mean(axis=-1)
    white = marker_cells(4 * seen.located.run + corner)
    border = (np.median(tone[white]) + np.median(tone[~white])) / 2
    return int(((tone > border) != white).sum())


#: Largest deviation of the bar from its length, as a share (common practice, no source).
BAR_OFF: Final = 0.01
#: Steps along the bar, mm; places across it, mm, within which its middle lies.
_STEP: Final = 0.05
_ACROSS: Final = np.arange(-0.6, 0.61, 0.1)
#: How far beyond the bar's end paper is looked for, and how far within it ink, mm.
_OUTSIDE, _INSIDE = 3.0, 12.0
#: Least contrast of ink and paper, as a share of the paper.
_CONTRAST: Final = 0.25


def bar_length(seen: Observation) -> float | None:
    """Return the length of the bar in mm; None where one of its ends cannot be seen."""
    bar = seen.card.scale_bar
    left = _end(seen, np.array([bar.x, bar.y]), -1)
    right = _end(seen, np.array([bar.x + bar.length, bar.y]), +1)
    return None if left is None or right is None else round(bar.length + left + right, 2)


def bar_is_off(measured: float, length: float) -> bool:
    """Return whether a measured bar differs from its length by more than is allowed."""
    return abs(measured / length - 1) > BAR_OFF


def _end(seen: Observation, end: Array, outwards: int) -> float | None:
    """Return how far beyond its place (mm) the bar ends: where its tone crosses the middle of ink and paper."""
    along = np.arange(-_INSIDE, _OUTSIDE, _STEP)
    places = np.stack(np.broadcast_arrays(end[0] + outwards * along[:, None], end[1] + _ACROSS), axis=-1)
    tone = seen.view.counts(places).mean(axis=-1).min(axis=1)
    ink, paper = float(np.median(tone[along < -_INSIDE / 2])), float(np.quantile(tone[along > 0], 0.9))
    if paper - ink < _CONTRAST * paper:
        return None
    light = tone > (ink + paper) / 2
    if not light.any():
        return None
    return float(along[int(np.argmax(light))])

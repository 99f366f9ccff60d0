"""The profile of a print run compared with the design of its card, patch by patch."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from shared.card import BED, PAPER, CardLayout
from shared.colour import delta_e_2000
from shared.profile import PrintProfile, nominal

Array = NDArray[np.float64]


class PatchDifference(msgspec.Struct, frozen=True, kw_only=True):
    """One patch as measured and as designed; ``standard_error``: over photographs, CIELAB units."""

    id: str
    colour: str
    lab: tuple[float, float, float]
    design: tuple[float, float, float]
    delta_e: float
    standard_error: float | None


@dataclass(frozen=True, slots=True)
class ProfileSummary:
    """CIEDE2000 from the design, paper excluded: ``median`` and ``largest``; ``uneven``: of patches printed alike."""

    median: float
    largest: float
    uneven: float
    spectra: bool


def patch_differences(profile: PrintProfile, card: CardLayout, standard_error: Array | None = None
                      ) -> list[PatchDifference]:
    """Return patches, bed and paper as measured and as designed."""
    return list(_differences(profile, card, standard_error))


def profile_summary(profile: PrintProfile, rows: Sequence[PatchDifference]) -> ProfileSummary:
    """Return what the differences come to."""
    apart = [r.delta_e for r in rows if r.id != PAPER]
    return ProfileSummary(float(np.median(apart)), max(apart), unevenness(rows), profile.spectra is not None)


def colour_names(card: CardLayout) -> dict[str, str]:
    """Return the colour name of each patch, of the bed and of the paper."""
    return {**{p.id: p.colour for p in card.patches}, BED: "bed", PAPER: "paper"}


def unevenness(rows: Sequence[PatchDifference]) -> float:
    """Return the largest CIEDE2000 between two patches that are printed alike."""
    by_colour = [[r.lab for r in rows if r.colour == c] for c in {r.colour for r in rows}]
    return max(float(delta_e_2000(np.array(labs)[:, None], np.array(labs)).max()) for labs in by_colour)


def _differences(profile: PrintProfile, card: CardLayout, standard_error: Array | None) -> Iterator[PatchDifference]:
    ids, colours = (*card.patch_ids, BED, PAPER), colour_names(card)
    measured, design = profile.lab_of(ids), nominal(card).lab_of(ids)
    apart = delta_e_2000(measured, design)
    errors = {} if standard_error is None else dict(zip(profile.ids, standard_error.tolist(), strict=False))
    for i, name in enumerate(ids):
        yield PatchDifference(id=name, colour=colours[name], lab=rounded_lab(measured[i]),
                              design=rounded_lab(design[i]), delta_e=round(float(apart[i]), 2),
                              standard_error=errors.get(name))


def rounded_lab(lab: Array) -> tuple[float, float, float]:
    """Return three coordinates to two decimals."""
    lightness, a, b = np.round(lab, 2).tolist()
    return lightness, a, b

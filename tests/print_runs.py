"""Other print runs of the sample card: each ink's dots larger or smaller, by a model that is not the reader's.

Colourants absorb one after the other (Bouguer, Lambert, Beer): the negative logarithm of reflectance over paper is a
sum over inks, each ink's from a solid patch of the measured run, black the same at all wavelengths. Dot gain is the
usual parabola over coverage, largest at one half.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from shared.card import PAPER, CardLayout
from shared.colour import WAVELENGTHS_NM, reflectance_to_xyz, xyz_to_lab
from shared.profile import PrintProfile

Array = NDArray[np.float64]

#: Patches of the sample card that are one ink laid on in full: cyan, magenta, yellow.
SOLIDS = ("cyan4", "rose4", "yellow3")
BLACK_DENSITY = 3.0


def with_dot_gain(profile: PrintProfile, card: CardLayout, gains: Array) -> PrintProfile:
    """The run printed again with dot gains (4,) of cyan, magenta, yellow and black at half coverage; paper stays."""
    spectra = profile.spectra_of(profile.ids)
    assert spectra is not None
    paper = spectra[profile.ids.index(PAPER)]
    density = -np.log(spectra / paper)
    named = {patch.colour: profile.ids.index(patch.id) for patch in card.patches}
    inks = np.vstack([density[[named[name] for name in SOLIDS]], np.full(len(WAVELENGTHS_NM), BLACK_DENSITY)])
    coverage = np.clip([nnls(inks.T, np.maximum(row, 0.0))[0] for row in density], 0.0, 1.0)
    more = 4 * gains * coverage * (1 - coverage)
    printed = np.minimum(spectra * np.exp(-more @ inks), 1.0)
    return replace(profile, spectra=printed, wavelengths=WAVELENGTHS_NM,
                   lab=xyz_to_lab(reflectance_to_xyz(printed, "D50", wavelengths_nm=WAVELENGTHS_NM)))


def random_gains(rng: np.random.Generator) -> Array:
    """Gains (4,) from a little less to 15 % more than usual, the inks of a run alike within 3 %."""
    return np.clip(rng.uniform(-0.06, 0.14) + rng.normal(0, 0.03, 4), -0.15, 0.15)

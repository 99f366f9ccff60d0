"""Reproduction of the card by its photograph: each patch is predicted from all others and compared."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.reflectance import PRIOR_SD, PRIOR_VARIANCE, XYZ_FRAME, augmented
from shared.colour import delta_e_2000, xyz_to_lab
from stripread.reading.observe import Observation
from stripread.reading.patches import CardColours
from stripread.reading.response import LearnedResponse

Array = NDArray[np.float64]

#: Share of the patches whose errors the reading states.
STATED = 0.9


def patch_error(seen: Observation) -> float:
    """CIEDE2000 within which nine of ten of the patches are reproduced that the reading uses."""
    return float(np.nanquantile(patch_errors(seen)[seen.learned.used], STATED))


def patch_errors(seen: Observation) -> Array:
    """CIEDE2000 (n,) of each patch as seen from what the others predict; NaN where a channel is at an end."""
    return errors_of_patches(seen.learned, seen.colours)


def errors_of_patches(learned: LearnedResponse, colours: CardColours) -> Array:
    """The same of a response learned from patches of known colours."""
    residual, weights = learned.residual, colours.weights
    prior = PRIOR_SD**2 * PRIOR_VARIANCE
    h = learned.response.mean[:, 1:]
    gain = prior[:, None] * h.T @ np.linalg.inv(h * prior @ h.T + 1e-6 * np.eye(3))
    return np.asarray(delta_e_2000(_lab(weights), _lab(weights + residual @ gain.T)))


def _lab(weights: Array) -> Array:
    return xyz_to_lab(np.maximum(augmented(weights) @ XYZ_FRAME.T, 1e-4))

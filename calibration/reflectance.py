"""The space in which pad colours live: smooth reflectance spectra with few coefficients.

A dyed pad's reflectance is smooth over tens of nanometres, so 400-700 nm is described by the first
cosines (DCT-II) over the band. The prior on their coefficients is that of a squared-exponential process
with the correlation length of printed colours; three camera channels determine part of a spectrum,
and the rest remains as uncertainty. Wiener estimation of reflectance: Haneishi et al., Appl. Opt. 39:6621, 2000.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shared.colour import WAVELENGTHS_NM, xyz_weights

Array = NDArray[np.float64]

#: Number of cosines; the next one would carry under 0.1 % of the prior's variance.
N_COSINES = 12
#: Prior of a reflectance before anything is seen: mean, standard deviation, correlation length in nm. Measured patches
#: of a colour chart are likeliest with 45 to 50 nm (`tests.bench.spectra`). Calibration estimates that of each dye.
PRIOR_MEAN = 0.5
PRIOR_SD = 0.3
CORRELATION_NM = 45.0


def _cosines() -> Array:
    n = len(WAVELENGTHS_NM)
    k, i = np.arange(N_COSINES), np.arange(n)[:, None]
    return np.cos(np.pi * k * (i + 0.5) / n)


#: Spectra are ``PRIOR_MEAN + COSINES @ w``, shape (31, 12); ``w`` has unit-prior variances PRIOR_VARIANCE.
COSINES: Array = _cosines()
#: Gaps between the wavelengths in nm, shape (31, 31).
_GAPS: Array = np.asarray(WAVELENGTHS_NM[:, None] - WAVELENGTHS_NM)
#: Coefficients closest to a spectrum less the prior's mean, shape (12, 31).
FROM_SPECTRUM: Array = np.asarray(np.linalg.pinv(COSINES), dtype=np.float64)


def prior_variance(length_nm: float) -> Array:
    """Variance (12,) of each coefficient for a process of unit variance and that correlation length."""
    return _of_coefficients(np.exp(-0.5 * (_GAPS / length_nm) ** 2))


def prior_variance_slope(length_nm: float) -> Array:
    """Change (12,) of `prior_variance` for a change of the length by 1 nm."""
    return _of_coefficients(np.exp(-0.5 * (_GAPS / length_nm) ** 2) * _GAPS**2 / length_nm**3)


def _of_coefficients(covariance: Array) -> Array:
    """Variance (12,) of each coefficient for a covariance (31, 31) of the spectrum."""
    return np.asarray((FROM_SPECTRUM @ covariance * FROM_SPECTRUM).sum(axis=1))


#: Prior variance of each coefficient for a process of unit variance, shape (12,).
PRIOR_VARIANCE: Array = prior_variance(CORRELATION_NM)
#: The constant and the cosines together, shape (31, 13): a spectrum is ``FRAME @ (1, w)``.
FRAME: Array = np.column_stack([np.full(len(WAVELENGTHS_NM), PRIOR_MEAN), COSINES])
#: Channels of a typical camera, middle and width in nm (28 cameras: Jiang, Liu, Gu, Suesstrunk, IEEE WACV 2013).
CAMERA_BANDS = ((600.0, 35.0), (540.0, 35.0), (460.0, 35.0))
#: CIE XYZ under D50 of each column of FRAME, shape (3, 13); Y of a perfect white is 1.
XYZ_FRAME: Array = xyz_weights("D50") @ FRAME


def augmented(weights: Array) -> Array:
    """``(..., 12)`` coefficients with the constant's 1 put before them, ``(..., 13)``."""
    return np.concatenate([np.ones((*weights.shape[:-1], 1)), weights], axis=-1)


def spectrum(weights: Array) -> Array:
    """Reflectance on WAVELENGTHS_NM, ``(..., 31)``, of coefficients ``(..., 12)``, kept physical."""
    return np.clip(augmented(weights) @ FRAME.T, 0.003, 1.0)


def load_derivative(weights: Array) -> Array:
    """Change of the coefficients, ``(..., 12)``, for a relative change of the pad's dye load.

    Kubelka and Munk (Z. techn. Phys. 12:593, 1931): K/S = (1-R)^2 / 2R is proportional to the load of
    dye above that of the bare pad, taken as an even white of reflectance 0.9.
    """
    bare = 0.1**2 / (2 * 0.9)
    r = spectrum(weights)
    k = (1 - r) ** 2 / (2 * r)
    slope = 1 - (k + 1) / np.sqrt(k * (k + 2) + 1e-9)
    return (slope * np.maximum(k - bare, 0.0)) @ FROM_SPECTRUM.T

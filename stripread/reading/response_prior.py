"""What is expected of camera and light before any patch is seen: lights of CIE 15 times mixtures of usual channels.

A light is one lamp, or two in equal parts: a window and lamps, or lamps of two kinds. A camera's channel, its colour
matrix included, is a mixture of three typical bands (`CAMERA_BANDS`) and a smooth remainder, in which other cameras
differ. If the inks of the card were measured, the channels of a measured camera join the mixture, which leaves less to
the remainder. With inks that are themselves estimated, an unusual ink could pass for an unusual camera.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.reflectance import CAMERA_BANDS
from shared.colour import WAVELENGTHS_NM, load_illuminants

Array = NDArray[np.float64]

#: Lamps of broad bands: daylight, incandescent, and LEDs (blue with phosphor, with red ones besides, violet with
#: phosphor); of narrow bands; and an even light.
BROAD_LAMPS = ("D65", "A", "LED-B2", "LED-B5", "LED-BH1", "LED-V1")
NARROW_LAMPS = ("FL2", "FL11", "FL3.10", "LED-RGB1")
LAMPS = (*BROAD_LAMPS, *NARROW_LAMPS, "E")
#: Lights tried: each lamp, pairs of broad ones, and daylight with fluorescent lamps.
LIGHTS: tuple[tuple[str, ...], ...] = (
    *((lamp,) for lamp in LAMPS), *combinations(BROAD_LAMPS, 2), *(("D65", lamp) for lamp in ("FL2", "FL11", "FL3.10")))
#: Part of each lamp in each light, (29, 11).
PARTS = np.array([[(lamp in light) / len(light) for lamp in LAMPS] for light in LIGHTS])
#: Variance of the remainder, and where the mixture contains the channels of a measured camera. Patches of simulated
#: and of rendered photographs are likelier with 0.1 than with 0.2.
REMAINDER, REMAINDER_MEASURED = 0.6, 0.1
#: Smoothness of the remainder in nm, and the band in which it lies.
SMOOTH_NM, BAND_MIDDLE_NM, BAND_HALF_NM = 30.0, 550.0, 110.0
#: Strength of the process, in units of the mean signal: all are tried.
STRENGTHS = (0.3, 1.0, 3.0)


def measured_camera() -> Array:
    """Channels (31, 3) of a measured camera, each channel's highest 1.

    Darrodi, Finlayson, Goodman, Mackiewicz, J. Opt. Soc. Am. A 32:381, 2015; the table names its source.
    """
    table = files("shared").joinpath("data/camera-10nm.csv").read_text(encoding="ascii").splitlines()
    return np.loadtxt((line for line in table if line[0].isdigit()), delimiter=",")[:, 1:]


def factors(x: Array, *, measured: bool) -> Array:
    """Camera times light as ``factor @ z`` with unit normal ``z``, one of the camera, for each light and strength.

    (87, 31, 37), in units of the mean signal of spectra ``x`` (n, 31); ``measured``: whether those were measured.
    """
    unsized = _unsized(measured=measured)
    scale = ((x @ unsized) ** 2).sum(axis=(1, 2)) / len(x)
    sizes = np.sqrt(np.array(STRENGTHS) / scale[:, None])
    return np.asarray((unsized[:, None] * sizes[:, :, None, None]).reshape(-1, *unsized.shape[1:]))


@cache
def _unsized(*, measured: bool) -> Array:
    """The factor of each light (29, 31, 37)."""
    gap = WAVELENGTHS_NM[:, None] - WAVELENGTHS_NM
    smooth = np.exp(-0.5 * (gap / SMOOTH_NM) ** 2) + 0.001 * np.eye(len(WAVELENGTHS_NM))
    window = np.exp(-0.5 * ((WAVELENGTHS_NM - BAND_MIDDLE_NM) / BAND_HALF_NM) ** 4)
    variance = REMAINDER_MEASURED if measured else REMAINDER
    remainder = np.sqrt(variance) * window[:, None] * np.linalg.cholesky(smooth)
    bands = [np.exp(-0.5 * ((WAVELENGTHS_NM - middle) / width) ** 2) for middle, width in CAMERA_BANDS]
    camera = np.column_stack([*bands, measured * measured_camera(), remainder])
    lamps = load_illuminants()
    lights = PARTS @ np.array([lamps[name] for name in LAMPS])
    return np.asarray(lights[:, :, None] * camera)

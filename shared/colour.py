"""Colour on one footing: CIE XYZ with Y of a perfect white 1, CIELAB under D50, 2 degree observer; spectra to XYZ.

Arrays have shape (..., 3). The white is stated once, here: ``D50``.

The tables (CIE 15:2018, every 5 nm) are read from ``data/cie-5nm.csv`` on first use; it names their source.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: White of CIELAB throughout: D50, 2 degrees, ASTM E308 (its 10 nm tables), with Y = 1.
D50: Array = np.array([0.96422, 1.0, 0.82521])

#: Chromaticities x, y of the sRGB primaries red, green, blue and of its white D65 (IEC 61966-2-1).
_SRGB_PRIMARIES = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
_SRGB_WHITE = (0.3127, 0.3290)
#: Bradford cone responses (Lam 1985; as in ICC.1:2022, annex E).
_BRADFORD: Array = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
#: CIE 15:2018, 8.2.1: below EPSILON the cube root gives way to a straight line of slope SLOPE.
_EPSILON = (6 / 29) ** 3
_SLOPE = (29 / 6) ** 2 / 3


def _xyz_of_chromaticity(xy: tuple[float, float]) -> Array:
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def _srgb_to_xyz_d50() -> Array:
    white = _xyz_of_chromaticity(_SRGB_WHITE)
    primaries = np.column_stack([_xyz_of_chromaticity(p) for p in _SRGB_PRIMARIES])
    matrix = primaries * np.linalg.solve(primaries, white)
    gain = (_BRADFORD @ D50) / (_BRADFORD @ white)
    adapt = np.linalg.inv(_BRADFORD) @ np.diag(gain) @ _BRADFORD
    return np.asarray(adapt @ matrix)


#: Linear sRGB to XYZ adapted from D65 to D50 by Bradford, (3, 3).
SRGB_TO_XYZ: Array = _srgb_to_xyz_d50()


def srgb_decode(encoded: Array) -> Array:
    """Encoded sRGB (0 to 1) to linear light (IEC 61966-2-1)."""
    u = np.asarray(encoded, dtype=np.float64)
    return np.where(u <= 0.04045, u / 12.92, ((np.maximum(u, 0.0) + 0.055) / 1.055) ** 2.4)


def srgb_encode(linear: Array) -> Array:
    """Linear light to encoded sRGB; extrapolated below 0 and above 1 (IEC 61966-2-1)."""
    v = np.asarray(linear, dtype=np.float64)
    return np.where(v <= 0.0031308, v * 12.92, 1.055 * np.maximum(v, 0.0) ** (1 / 2.4) - 0.055)


def srgb_to_lab(encoded: Array) -> Array:
    """Encoded sRGB (0 to 1) to CIELAB under D50, adapted by Bradford."""
    return xyz_to_lab(srgb_decode(encoded) @ SRGB_TO_XYZ.T)


def lab_to_srgb(lab: Array) -> Array:
    """CIELAB under D50 to encoded sRGB; a colour outside sRGB leaves 0 to 1."""
    return srgb_encode(lab_to_xyz(lab) @ np.linalg.inv(SRGB_TO_XYZ).T)


def xyz_to_lab(xyz: Array) -> Array:
    """XYZ under D50 to CIELAB (CIE 15:2018, 8.2.1)."""
    t = np.asarray(xyz, dtype=np.float64) / D50
    f = np.where(t > _EPSILON, np.cbrt(t), _SLOPE * t + 4 / 29)
    fx, fy, fz = np.moveaxis(f, -1, 0)
    return np.stack([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)], axis=-1)


def lab_to_xyz(lab: Array) -> Array:
    """CIELAB to XYZ under D50: the inverse of `xyz_to_lab`."""
    lightness, a, b = np.moveaxis(np.asarray(lab, dtype=np.float64), -1, 0)
    fy = (lightness + 16) / 116
    f = np.stack([fy + a / 500, fy, fy - b / 200], axis=-1)
    return D50 * np.where(f > 6 / 29, f**3, (f - 4 / 29) / _SLOPE)


def xyz_to_lab_jacobian(xyz: Array) -> Array:
    """Derivatives dLab/dXYZ, (..., 3, 3), rows L*, a*, b*: ``J @ C @ J.T`` carries a covariance over."""
    t = np.asarray(xyz, dtype=np.float64) / D50
    df = np.where(t > _EPSILON, np.cbrt(np.maximum(t, _EPSILON)) ** -2 / 3, _SLOPE) / D50
    of_f = np.array([[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])
    return of_f * df[..., None, :]


def _hue(a: Array, b: Array) -> Array:
    """Hue angle in radians, 0 to 2 pi."""
    return np.asarray(np.arctan2(b, a) % (2 * np.pi))


def _mean_hue(h1: Array, h2: Array) -> Array:
    """Mean of two hues along the shorter arc; of no consequence where one colour is grey."""
    total, apart = h1 + h2, np.abs(h1 - h2)
    around = np.where(total < 2 * np.pi, total + 2 * np.pi, total - 2 * np.pi)
    mean: Array = np.where(apart <= np.pi, total, around) / 2
    return mean


def _rotation(hue: Array, chroma: Array) -> Array:
    """Rotation term R_T of the blue region."""
    d_theta = np.deg2rad(30) * np.exp(-(((np.rad2deg(hue) - 275) / 25) ** 2))
    term: Array = -np.sin(2 * d_theta) * 2 * _chroma_weight(chroma)
    return term


def _chroma_weight(chroma: Array) -> Array:
    """Half of R_C: from 0 for greys to 1 for strong colours."""
    c7 = chroma**7
    return np.asarray(np.sqrt(c7 / (c7 + 25.0**7)))


def _hue_weight(hue: Array) -> Array:
    """Term T."""
    term: Array = (1 - 0.17 * np.cos(hue - np.pi / 6) + 0.24 * np.cos(2 * hue)
                   + 0.32 * np.cos(3 * hue + np.pi / 30) - 0.20 * np.cos(4 * hue - np.deg2rad(63)))
    return term


def delta_e_2000(lab1: Array, lab2: Array) -> Array:
    """CIEDE2000 with k_L = k_C = k_H = 1, shape (...,) (ISO/CIE 11664-6; Sharma, Wu, Dalal 2005)."""
    l1, a1, b1 = np.moveaxis(np.asarray(lab1, dtype=np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(lab2, dtype=np.float64), -1, 0)
    stretch = 1.5 - 0.5 * _chroma_weight((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2)
    c1, c2 = np.hypot(a1 * stretch, b1), np.hypot(a2 * stretch, b2)
    h1, h2 = _hue(a1 * stretch, b1), _hue(a2 * stretch, b2)
    turn = np.where(np.abs(h2 - h1) <= np.pi, h2 - h1, h2 - h1 - np.copysign(2 * np.pi, h2 - h1))
    lightness, chroma, hue = (l1 + l2) / 2, (c1 + c2) / 2, _mean_hue(h1, h2)
    off50 = (lightness - 50) ** 2
    dl = (l2 - l1) / (1 + 0.015 * off50 / np.sqrt(20 + off50))
    dc = (c2 - c1) / (1 + 0.045 * chroma)
    dh = 2 * np.sqrt(c1 * c2) * np.sin(turn / 2) / (1 + 0.015 * chroma * _hue_weight(hue))
    return np.asarray(np.sqrt(dl**2 + dc**2 + dh**2 + _rotation(hue, chroma) * dc * dh))


#: The wavelengths on which spectra are held inside, (31,), nm.
WAVELENGTHS_NM: Array = np.arange(400.0, 701.0, 10.0)


@cache
def _table() -> dict[str, Array]:
    """Columns of the data file by name; "nm", "x", "y", "z" and one an illuminant, shape (81,)."""
    text = files("shared").joinpath("data/cie-5nm.csv").read_text(encoding="ascii")
    names, *rows = (line.split(",") for line in text.splitlines() if not line.startswith("#"))
    return dict(zip(names, np.array(rows, dtype=np.float64).T, strict=True))


def _observer() -> Array:
    """Colour-matching functions, (3, 81)."""
    return np.array([_table()[c] for c in "xyz"])


def illuminant_names() -> tuple[str, ...]:
    """Return all illuminants of the tables, named as in CIE 15."""
    return tuple(n for n in _table() if n not in ("nm", "x", "y", "z"))


def _power(illuminant: str) -> Array:
    """Relative power every 5 nm, (81,)."""
    if illuminant not in illuminant_names():
        raise KeyError(f"no such illuminant: {illuminant!r}; allowed: {', '.join(illuminant_names())}")
    return _table()[illuminant]


def illuminant_power(illuminant: str) -> tuple[Array, Array]:
    """Return wavelengths (81,) in nm and the relative power (81,) of an illuminant. Raises KeyError."""
    return _table()["nm"], _power(illuminant)


@cache
def load_illuminants() -> dict[str, Array]:
    """Relative spectral power on WAVELENGTHS_NM, (31,), mean 1, by name.

    Averaged over 10 nm (weights 1/4, 1/2, 1/4 of the 5 nm table), so that lines of lamps keep their energy.
    """
    at = np.searchsorted(_table()["nm"], WAVELENGTHS_NM)
    powers = {n: _power(n) for n in illuminant_names()}
    averaged = {n: p[at - 1] / 4 + p[at] / 2 + p[at + 1] / 4 for n, p in powers.items()}
    return {n: p / p.mean() for n, p in averaged.items()}


def interpolation(given_nm: Array, wanted_nm: Array) -> Array:
    """Matrix (wanted, given) that interpolates spectra by cubics through the nearest four (ASTM E2022).

    The first and last intervals use the nearest three; beyond the ends the end value is held (ASTM E308).
    """
    at = np.clip(wanted_nm, given_nm[0], given_nm[-1])
    left = np.clip(np.searchsorted(given_nm, at, side="right") - 1, 0, len(given_nm) - 2)
    matrix = np.zeros((len(at), len(given_nm)))
    for row, (x, i) in enumerate(zip(at, left, strict=True)):
        near = np.arange(max(0, i - 1), min(len(given_nm), i + 3))
        matrix[row, near] = _lagrange(x, given_nm[near])
    return matrix


def _lagrange(x: float, nodes: Array) -> Array:
    """Weights of the values at ``nodes`` in the polynomial through them, at ``x``."""
    gap = nodes[:, None] - nodes + np.eye(len(nodes))
    return np.asarray(np.prod(np.where(np.eye(len(nodes)), 1.0, (x - nodes) / gap), axis=1))


@cache
def _weights(illuminant: str, given_nm: tuple[float, ...]) -> Array:
    weighted = _observer() * _power(illuminant)
    return np.asarray(weighted / weighted[1].sum() @ interpolation(np.array(given_nm), _table()["nm"]))


def xyz_weights(illuminant: str, wavelengths_nm: Array = WAVELENGTHS_NM) -> Array:
    """Matrix (3, n) that takes reflectance on ``wavelengths_nm`` to XYZ; Y of a perfect white is 1."""
    return _weights(illuminant, tuple(map(float, wavelengths_nm)))


def reflectance_to_xyz(
    reflectance: Array, illuminant: str, *, wavelengths_nm: Array = WAVELENGTHS_NM
) -> Array:
    """XYZ (..., 3) of reflectance factors (..., n) under an illuminant; Y of a perfect white is 1."""
    return np.asarray(reflectance @ xyz_weights(illuminant, wavelengths_nm).T)

"""CIE 1931 2 degree observer and CIE illuminants, and reflectance spectra to XYZ.

The tables (CIE 15:2018, every 5 nm) are read from ``data/cie-5nm.csv`` on first use; it names their source.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

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
        raise KeyError(f"no illuminant {illuminant!r}; there are {', '.join(illuminant_names())}")
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

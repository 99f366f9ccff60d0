"""Colorimetry for reports, by colour-science: the lamp recognised in a photograph, and measured spectra of a card.

It is imported inside the functions: it takes longer to import than a photograph takes to evaluate, which needs none of
it. `shared.colour` and `shared.spectra` compute the same quantities for evaluations, and are tested against it.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shared.profile import PrintProfile
from shared.spectra import illuminant_power

Array = NDArray[np.float64]

_OBSERVER, _ILLUMINANT = "CIE 1931 2 Degree Standard Observer", "D50"


@dataclass(frozen=True, slots=True)
class LampColour:
    """Correlated colour temperature in K, distance from the Planckian locus in CIE 1960 (Duv), fidelity index Rf."""

    cct_k: float
    duv: float
    fidelity: float

    @property
    def words(self) -> str:
        """As "4000 K, Duv +0.0012, Rf 84"."""
        return f"{self.cct_k:.0f} K, Duv {self.duv:+.4f}, Rf {self.fidelity:.0f}"


@cache
def lamp_colour(illuminant: str) -> LampColour:
    """Return the colour of a CIE illuminant, named as in `shared.spectra`.

    CCT and Duv: Ohno (LEUKOS 10:47, 2014). Rf: CIE 224:2017. Raises KeyError for an unknown illuminant.
    """
    nm, power = illuminant_power(illuminant)
    with _colour_science() as colour:
        lamp = colour.SpectralDistribution(power, nm)
        cct, duv = colour.temperature.XYZ_to_CCT_Ohno2013(colour.sd_to_XYZ(lamp))
        return LampColour(float(cct), float(duv), float(colour.colour_fidelity_index(lamp)))


@dataclass(frozen=True, slots=True)
class SpectralColours:
    """Tristimulus values ``xyz`` (n, 3; Y of a perfect white is 100) and CIELAB ``lab`` (n, 3) of measured spectra.

    ``delta_e`` (n,): CIEDE2000 between ``lab`` and the values that the instrument stated.
    """

    xyz: Array
    lab: Array
    delta_e: Array

    @property
    def words(self) -> str:
        """How well spectra and stated values agree."""
        return (f"L*a*b* of the spectra (D50, 2 degrees, ASTM E308) differ from the stated ones by "
                f"{np.median(self.delta_e):.2f} (median) and at most {self.delta_e.max():.2f} CIEDE2000")


def spectral_colours(profile: PrintProfile) -> SpectralColours | None:
    """Return the colours of a profile's spectra, in the order of its ids; None without spectra."""
    if profile.spectra is None or profile.wavelengths is None:
        return None
    with _colour_science() as colour:
        spectra = colour.MultiSpectralDistributions(profile.spectra.T, profile.wavelengths)
        xyz = colour.msds_to_XYZ(spectra, colour.MSDS_CMFS[_OBSERVER], colour.SDS_ILLUMINANTS[_ILLUMINANT],
                                 method="ASTM E308")
        lab = colour.XYZ_to_Lab(xyz / 100, colour.CCS_ILLUMINANTS[_OBSERVER][_ILLUMINANT])
        delta_e = colour.delta_E(lab, profile.lab, method="CIE 2000")
    return SpectralColours(np.asarray(xyz), np.asarray(lab), np.asarray(delta_e))


@contextmanager
def _colour_science() -> Iterator[Any]:
    """Return the package, without its warnings about optional parts and about wavelengths outside the tables."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        yield colour

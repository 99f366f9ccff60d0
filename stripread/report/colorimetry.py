"""Colorimetry for reports, by colour-science: the lamp of a photograph, spectra of a card, a print run and design."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from shared.card import BED, PAPER, CardLayout
from shared.colour import delta_e_2000, illuminant_power
from shared.profile import PrintProfile, nominal

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
    """Return the colour of a CIE illuminant, named as in `shared.colour`.

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

"""A bench made of numbers: dyes, lamps, cameras and what a photograph's areas come to, without the reader's code.

Dyes and cameras are those of the sample company. Lamps are CIE 15 as colour-science holds them.
"""

from collections.abc import Sequence

import colour
import numpy as np

from shared.profile import PrintProfile
from shared.spectra import WAVELENGTHS_NM
from stripread.demo import cameras
from stripread.demo.cameras import Array, Camera, Rng
from stripread.demo.cameras import random_camera as camera
from stripread.demo.dyes import INDICATORS, LOAD_SD, NM, Indicator, bump

__all__ = ["INDICATORS", "LOAD_SD", "NM", "Array", "Camera", "Exposure", "Indicator", "Rng", "bump", "camera",
           "expose", "lamp", "on_wavelengths", "relative"]

#: Noise of an area's mean in counts: shot noise averages out, the steps of JPEG do not.
COUNTS_SD = 0.6


def lamp(name: str) -> Array:
    """Relative power (61,) of an illuminant of CIE 15."""
    spectrum = colour.SDS_ILLUMINANTS[name].copy().align(colour.SpectralShape(400, 700, 5))
    return np.asarray(spectrum.values / spectrum.values.mean())


class Exposure(cameras.Exposure):
    """A photograph of which only the means of areas are known."""

    def counts(self, reflectance: Array, places: Array, stray: Array, rng: Rng) -> Array:
        """Mean counts (n, 3) of 255 of areas at ``places`` (n, 2), -1 to 1 over the card, as JPEG leaves them.

        ``stray`` (n, 3): what print, gloss and texture add to log light.
        """
        encoded = self.encoded(self.linear(reflectance) * np.exp(self.log_light(places) + stray))
        return np.clip(encoded * 255 + rng.normal(0, COUNTS_SD, encoded.shape), 0, 255)


def expose(one: Camera, power: Array, paper: Array, rng: Rng) -> Exposure:
    """A photograph under a lamp of ``power`` (61,), as the sample company's cameras expose its ``paper`` (61,)."""
    return Exposure(**vars(cameras.expose(one, power, paper, rng)))


def on_wavelengths(profile: PrintProfile, ids: Sequence[str]) -> Array:
    """Reflectance (n, 61) of printed patches, between the profile's wavelengths straight lines."""
    measured = profile.spectra_of(ids)
    assert measured is not None
    return np.array([np.interp(NM, WAVELENGTHS_NM, spectrum) for spectrum in measured])


def relative(one: Camera, power: Array, reflectance: Array) -> Array:
    """Linear output (n - 1, 3) of reflectances (n, 61) relative to the last, the paper."""
    raw = (reflectance * power) @ one.seen
    return np.asarray((raw[:-1] / raw[-1]) @ one.matrix.T)

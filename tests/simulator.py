"""A bench made of numbers: dyes, lamps, cameras and what a photograph's areas come to, without the reader's code.

Dyes and cameras are those of the sample company. Lamps are CIE 15 as in colour-science.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import colour
import numpy as np

from shared.colour import WAVELENGTHS_NM
from shared.profile import PrintProfile
from stripread.demo import dyes
from stripread.demo.dyes import INDICATORS, LOAD_SD, NM, Array, Camera, Indicator, Rng, bump
from stripread.demo.dyes import random_camera as camera

__all__ = ["GOOD_LAMPS", "INDICATORS", "LOAD_SD", "NM", "SITE_LAMPS", "Array", "Camera", "Exposure", "Indicator", "Rng",
           "batch", "bump", "camera", "expose", "lamp", "mixed_light", "on_wavelengths", "printing", "relative"]

#: Steps of JPEG in which a block's mean is coded, luma and chroma, of libjpeg's qualities 94, 91, 88, 85, 75 and 65;
#: and what rounding them to whole counts leaves in the mean of an area: `test_metadata` codes areas to measure both.
STEPS, ROUNDING = ((2, 2), (3, 3), (4, 4), (5, 5), (8, 9), (11, 12)), (0.1, 0.3)
#: Red, green and blue to luma, Cb and Cr (ITU-T T.871).
_TO_YCC = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])


def lamp(name: str) -> Array:
    """Relative power (61,) of an illuminant of CIE 15."""
    spectrum = colour.SDS_ILLUMINANTS[name].copy().align(colour.SpectralShape(400, 700, 5))
    return np.asarray(spectrum.values / spectrum.values.mean())


def batch(rng: Rng) -> dict[str, Indicator]:
    """The pads of another strip type: bands shifted by some 5 nm, other amounts of dye, other binding."""
    return {analyte: _varied(indicator, rng) for analyte, indicator in INDICATORS.items()}


def _varied(one: Indicator, rng: Rng) -> Indicator:
    free, bound = (np.interp(NM - rng.normal(0, 5), NM, band) * rng.normal(1, 0.1) for band in (one.free, one.bound))
    low, high = one.levels[0], one.levels[-1]
    warp = rng.normal(0, 0.25)

    def share(value: float) -> float:
        """The share of the pattern at a value moved along the range; its ends stay."""
        x = min(max((value - low) / (high - low), 0.0), 1.2)
        return one.share(low + (high - low) * (x + warp * x * (1 - x)))

    return Indicator(free, bound, share, one.levels)


#: Lamps of CIE 15 whose bands are broad enough to calibrate under, and all under which a site may be photographed.
GOOD_LAMPS = ("D50", "D55", "D65", "D75", "A", "LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-BH1", "LED-V1",
              "LED-V2", "FL3.15")
SITE_LAMPS = (*GOOD_LAMPS, "FL2", "FL7", "FL11", "FL3.4", "FL3.10")


def mixed_light(names: Sequence[str], rng: Rng) -> Array:
    """Relative power (61,): one of the lamps, in every fourth photograph with a second one's light in it."""
    first, second = (lamp(str(name)) for name in rng.choice(names, 2))
    return np.asarray(first if rng.random() < 0.75 else first + rng.uniform(0.1, 1.0) * second)


def printing(designed: Array, rng: Rng) -> Array:
    """Reflectances (n, 61) of another print run, the paper last: inks laid on thicker or thinner.

    Densities above the paper scale by some 8 % for all patches together and 4 % for each.
    """
    ratio = np.clip(designed[:-1] / designed[-1], 0.005, None)
    thickness = rng.normal(1, 0.08) * rng.normal(1, 0.04, (len(ratio), 1))
    return np.vstack([designed[-1] * np.minimum(ratio, 1.0) ** thickness, designed[-1:]])


@dataclass(frozen=True)
class Exposure(dyes.Exposure):
    """A photograph of which only the means of areas are known.

    ``steps`` (3,) of luma, Cb and Cr in eighths of a count; ``rounding``: standard deviation in counts.
    """

    steps: tuple[int, int, int]
    rounding: float

    def counts(self, reflectance: Array, places: Array, stray: Array, rng: Rng) -> Array:
        """Mean counts (n, 3) of 255 of areas at ``places`` (n, 2), -1 to 1 over the card, as JPEG leaves them.

        ``stray`` (n, 3): what print, gloss and texture add to log light.
        """
        log_light = places @ self.slope + self.bend * (places**2).sum(axis=1, keepdims=True)
        encoded = self.encoded(self.linear(reflectance) * np.exp(log_light + stray))
        step = np.array(self.steps) / 8
        coded = np.rint(encoded * 255 @ _TO_YCC.T / step) * step + rng.normal(0, self.rounding, encoded.shape)
        return np.asarray(np.clip(coded @ np.linalg.inv(_TO_YCC).T, 0, 255))


def expose(one: Camera, power: Array, paper: Array, rng: Rng) -> Exposure:
    """A photograph under a lamp of ``power`` (61,), as the sample company's cameras expose its ``paper`` (61,)."""
    luma, chroma = STEPS[int(rng.integers(len(STEPS)))]
    return Exposure(**vars(dyes.expose(one, power, paper, rng)), steps=(luma, chroma, chroma),
                    rounding=rng.uniform(*ROUNDING))


def on_wavelengths(profile: PrintProfile, ids: Sequence[str]) -> Array:
    """Reflectance (n, 61) of printed patches, between the profile's wavelengths straight lines."""
    measured = profile.spectra_of(ids)
    assert measured is not None
    return np.array([np.interp(NM, WAVELENGTHS_NM, spectrum) for spectrum in measured])


def relative(one: Camera, power: Array, reflectance: Array) -> Array:
    """Linear output (n - 1, 3) of reflectances (n, 61) relative to the last, the paper."""
    raw = (reflectance * power) @ one.seen
    return np.asarray((raw[:-1] / raw[-1]) @ one.matrix.T)

"""Self-contained page of a calibration chart: data, validation, possible improvements, pads pixel by pixel.

scikit-image is imported inside the functions: an evaluation, which uses the robust mean of a pad, needs none of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.chart import Chart
from calibration.checks import Check
from calibration.cross_validation import without_levels
from calibration.curve import Curve, Level
from calibration.diagnostics import Suspect
from calibration.merit import LevelMerit, Merit, merit_of
from calibration.uncertainty_reduction import Gain
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.reading.calibrate import CROP_RIM, Calibration, ObservedStandard, UnreadStandard
from stripread.reading.pads import labs_of
from stripread.report.calibration_text import light_lines, merit_facts, read_text, recovery_text
from stripread.report.chart_figures import Figures
from stripread.report.colorimetry import spectral_colours
from stripread.report.picture import jpeg
from stripread.report.ramp import PadRamp, pad_ramp
from stripread.report.render import Plot, write_page


@dataclass(frozen=True, slots=True)
class AnalyteSheet:
    """View model of a curve."""

    curve: Curve
    merit: Merit
    gain: Gain
    plots: tuple[Plot, ...]
    legend: tuple[tuple[str, str], ...]
    pads: PadRamp
    images: PadImages | None
    suspects: tuple[Suspect, ...]
    checks: tuple[Check, ...]
    unread: tuple[UnreadStandard, ...]

    @property
    def name(self) -> str:
        """Name of the analyte."""
        return ANALYTES[self.curve.analyte].name

    @property
    def heading(self) -> str:
        """Name as a heading; pH keeps its small letter."""
        return self.name if self.curve.analyte == "ph" else self.name[0].upper() + self.name[1:]

    @property
    def unit(self) -> str:
        """Unit; empty for pH."""
        return "" if self.curve.unit == "pH" else self.curve.unit

    @property
    def levels(self) -> tuple[tuple[Level, LevelMerit], ...]:
        """Each fitted level with its figures of merit."""
        return tuple(zip(self.curve.levels, self.merit.levels, strict=True))

    @property
    def facts(self) -> tuple[tuple[str, str], ...]:
        """Figures of merit as text."""
        return tuple(merit_facts(self.merit))

    @property
    def half_width(self) -> float:
        """Half of the 95 % interval of a reading at the level for which the budget is given."""
        return Z95 * self.gain.u

    @property
    def passed(self) -> int:
        """Number of check standards that passed."""
        return sum(c.verdict == "pass" for c in self.checks)

    @property
    def tone(self) -> str:
        """Tone of the most severe check result."""
        worst = {c.verdict for c in self.checks}
        return "bad" if "fail" in worst else "open" if worst != {"pass"} or self.unread else "good"


@dataclass(frozen=True, slots=True)
class ChartSheet:
    """View model of a calibration."""

    chart: Chart
    analytes: tuple[AnalyteSheet, ...]
    lights: tuple[str, ...]
    card: str = ""


def chart_sheet(calibration: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard]) -> ChartSheet:
    """Return the view model; ``checked`` and ``unread``: check standards with and without a result."""
    patches = calibration.seen[0].observed.profile.lab_of(calibration.chart.card.patch_ids)
    gains = calibration.gains()
    sheets = []
    for fit in calibration.fits:
        analyte = fit.curve.analyte
        suspects = tuple(s for s in calibration.chart.suspects if s.analyte == analyte)
        figures = Figures(fit, without_levels(fit), frozenset(s.photo for s in suspects), patches)
        sheets.append(AnalyteSheet(
            curve=fit.curve, merit=merit_of(fit), gain=gains[analyte], plots=figures.plots(), legend=figures.legend,
            pads=pad_ramp(fit.curve, calibration.seen), images=pad_images(fit.curve, calibration.seen),
            suspects=suspects,
            checks=tuple(c for c in checked if c.pair.read.analyte == analyte),
            unread=tuple(u for u in unread if u.analyte == analyte)))
    colours = spectral_colours(calibration.seen[0].observed.profile)
    return ChartSheet(calibration.chart, tuple(sheets), tuple(light_lines(calibration.chart)),
                      colours.words if colours else "")


def write_chart_report(
    path: Path, calibration: Calibration, checked: Sequence[Check], unread: Sequence[UnreadStandard]
) -> None:
    """Write the page. Raises FileError where the file cannot be written."""
    write_page(path, "chart.html", context={
        "sheet": chart_sheet(calibration, checked, unread), "recovery": recovery_text, "read": read_text})


Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

#: Part of a pad's side that is compared: its rim is shaded and absorbs less.
_INNER: Final = 0.6
#: CIEDE2000 at which a map is black, and the share of the pixels that unevenness covers.
_BLACK: Final = 6.0
_COVERED: Final = 0.95
#: Photographs shown for each analyte, those farthest from the chart first.
_SHOWN: Final = 5


@dataclass(frozen=True, slots=True)
class PadImage:
    """One photographed pad. ``off_chart``: median CIEDE2000 of its pixels from the chart's colour at its level.

    ``unevenness``: CIEDE2000 from the pad's mean within which 95 % of its pixels lie. ``blur``: 0 for a sharp image, 1
    for a blurred one (Crété-Roffet et al., SPIE 6492, 2007). ``map``: ``off_chart`` of each pixel, black from 6.
    """

    photo: str
    light: str
    level: float
    off_chart: float
    unevenness: float
    blur: float
    crop: str
    map: str


@dataclass(frozen=True, slots=True)
class PadImages:
    """Medians over all photographs of an analyte, and the pads farthest from the chart."""

    n: int
    off_chart: float
    unevenness: float
    blur: float
    farthest: tuple[PadImage, ...]


def pad_images(curve: Curve, seen: Sequence[ObservedStandard]) -> PadImages | None:
    """Return the comparison of an analyte's pads with its curve; None without photographs."""
    images = sorted(_images(curve, seen), key=lambda image: -image.off_chart)
    if not images:
        return None
    off, uneven, blur = np.median([(i.off_chart, i.unevenness, i.blur) for i in images], axis=0).tolist()
    return PadImages(len(images), off, uneven, blur, tuple(images[:_SHOWN]))


def _images(curve: Curve, seen: Sequence[ObservedStandard]) -> Iterator[PadImage]:
    for one in seen:
        pad = next((p for p in one.observed.pads if p.pad.analyte == curve.analyte), None)
        if pad is not None and curve.analyte in one.row.certified and curve.analyte in one.pads:
            level = one.row.certified[curve.analyte].value
            labs, _ = labs_of([pad.observation])
            yield _image(one, one.pads[curve.analyte], level, labs[0], curve.lab(np.array([level]))[0])


def _image(one: ObservedStandard, crop: Pixels, level: float, measured: Array, expected: Array) -> PadImage:
    lab = pixel_lab(crop, measured)
    middle = _inner(crop)
    off = difference_map(lab, expected)
    uneven = np.quantile(difference_map(lab, measured)[middle], _COVERED)
    shade = np.rint(255 * (1 - np.clip(off / _BLACK, 0, 1))).astype(np.uint8)
    return PadImage(photo=one.row.photo.name, light=one.row.light, level=level, off_chart=float(np.median(off[middle])),
                    unevenness=float(uneven), blur=blur_of(crop), crop=jpeg(crop[..., ::-1]),
                    map=jpeg(np.repeat(shade[..., None], 3, axis=2)))


def _inner(crop: Pixels) -> NDArray[np.bool_]:
    """Return which pixels (rows, columns) show the middle of the pad."""
    within = [np.abs(np.linspace(-0.5, 0.5, side) * (1 + 2 * CROP_RIM)) < _INNER / 2 for side in crop.shape[:2]]
    return np.outer(*within)


def pixel_lab(crop: Pixels, measured: Array) -> Array:
    """Return CIELAB (rows, columns, 3) of the pixels of an sRGB picture, shifted so that its middle has ``measured``.

    The shift represents the corrections of the evaluation: light, tone and the camera's response.
    """
    from skimage.color import rgb2lab

    lab = rgb2lab(crop)
    return np.asarray(lab + (measured - lab[_inner(crop)].mean(axis=0)))


def difference_map(lab: Array, reference: Array) -> Array:
    """Return CIEDE2000 (rows, columns) of each pixel from one colour."""
    from skimage.color import deltaE_ciede2000

    return np.asarray(deltaE_ciede2000(lab, np.broadcast_to(reference, lab.shape)))  # type: ignore[no-untyped-call]


def blur_of(crop: Pixels) -> float:
    """Return the blur of a picture, 0 to 1."""
    from skimage.measure import blur_effect

    return float(blur_effect(crop, channel_axis=2))  # type: ignore[no-untyped-call]

"""Self-contained page of a calibration chart: its data, validation and possible improvements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from calibration.chart import Chart
from calibration.checks import Check
from calibration.cross_validation import without_levels
from calibration.curve import Curve, Level
from calibration.diagnostics import Suspect
from calibration.merit import LevelMerit, Merit, merit_of
from calibration.uncertainty_reduction import Gain
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.reading.calibrate import Calibration, UnreadStandard
from stripread.report.calibration_text import light_lines, merit_facts, read_text, recovery_text
from stripread.report.chart_figures import Figures
from stripread.report.colorimetry import spectral_colours
from stripread.report.pad_images import PadImages, pad_images
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

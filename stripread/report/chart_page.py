"""One self-contained page of a calibration: what the chart is, how far to trust it, what would improve it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from calibration.chart import Chart
from calibration.checks import Check
from calibration.curve import Curve, Level
from calibration.gain import Gain
from calibration.left_out import without_levels
from calibration.merit import LevelMerit, Merit, merit_of
from calibration.suspects import Suspect
from shared.analytes import ANALYTES
from shared.estimate import Z95
from stripread.reading.calibrate import Calibration
from stripread.reading.strangers import Unread
from stripread.report.chart_figures import Figures
from stripread.report.frame import Plot
from stripread.report.light_text import light_lines
from stripread.report.merit_text import merit_facts, read_text, recovery_text
from stripread.report.ramp import PadRamp, pad_ramp
from stripread.report.render import write_page


@dataclass(frozen=True, slots=True)
class AnalyteSheet:
    """A curve as the page shows it."""

    curve: Curve
    merit: Merit
    gain: Gain
    plots: tuple[Plot, ...]
    legend: tuple[tuple[str, str], ...]
    pads: PadRamp
    suspects: tuple[Suspect, ...]
    checks: tuple[Check, ...]
    unread: tuple[Unread, ...]

    @property
    def name(self) -> str:
        """As people call it."""
        return ANALYTES[self.curve.analyte].name

    @property
    def heading(self) -> str:
        """The name at the head of a page; pH keeps its small letter."""
        return self.name if self.curve.analyte == "ph" else self.name[0].upper() + self.name[1:]

    @property
    def unit(self) -> str:
        """Written after a number; nothing for pH."""
        return "" if self.curve.unit == "pH" else self.curve.unit

    @property
    def levels(self) -> tuple[tuple[Level, LevelMerit], ...]:
        """Each level as fitted, with its figures of merit."""
        return tuple(zip(self.curve.levels, self.merit.levels, strict=True))

    @property
    def facts(self) -> tuple[tuple[str, str], ...]:
        """The figures of merit in words."""
        return tuple(merit_facts(self.merit))

    @property
    def half_width(self) -> float:
        """Half of the 95 % interval of a reading at the level where the budget is told."""
        return Z95 * self.gain.u

    @property
    def passed(self) -> int:
        """Check standards that pass."""
        return sum(c.verdict == "pass" for c in self.checks)

    @property
    def tone(self) -> str:
        """How the checks went."""
        worst = {c.verdict for c in self.checks}
        return "bad" if "fail" in worst else "open" if worst != {"pass"} or self.unread else "good"


@dataclass(frozen=True, slots=True)
class ChartSheet:
    """A calibration as the page shows it."""

    chart: Chart
    analytes: tuple[AnalyteSheet, ...]
    lights: tuple[str, ...]


def chart_sheet(made: Calibration, checked: Sequence[Check], unread: Sequence[Unread]) -> ChartSheet:
    """Everything the page shows; ``checked`` and ``unread`` are the check standards read on the chart."""
    patches = made.seen[0].observed.profile.lab_of(made.chart.card.patch_ids)
    gains = made.gains()
    sheets = []
    for fit in made.fits:
        analyte = fit.curve.analyte
        suspects = tuple(s for s in made.chart.suspects if s.analyte == analyte)
        figures = Figures(fit, without_levels(fit), frozenset(s.photo for s in suspects), patches)
        sheets.append(AnalyteSheet(
            curve=fit.curve, merit=merit_of(fit), gain=gains[analyte], plots=figures.plots(), legend=figures.legend,
            pads=pad_ramp(fit.curve, made.seen), suspects=suspects,
            checks=tuple(c for c in checked if c.pair.read.analyte == analyte),
            unread=tuple(u for u in unread if u.analyte == analyte)))
    return ChartSheet(made.chart, tuple(sheets), tuple(light_lines(made.chart)))


def write_chart_report(path: Path, made: Calibration, checked: Sequence[Check], unread: Sequence[Unread]) -> None:
    """Write the page. Raises FileError where the file cannot be written."""
    write_page(path, "chart.html", context={
        "sheet": chart_sheet(made, checked, unread), "recovery": recovery_text, "read": read_text})

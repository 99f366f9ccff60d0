"""Check standards of a table, read on a chart for a command."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from calibration.chart import Chart
from calibration.checks import Pair
from calibration.standards import read_standards
from stripread.cli.inputs import measured
from stripread.cli.main import echo_error
from stripread.cli.progress import with_progress


def read_checks(table: Path, chart: Chart, profiles: Sequence[Path]) -> list[Pair]:
    """Return the values of the table's check standards as read on the chart; report on stderr those without a value."""
    from stripread.reading.strangers import read_strangers

    rows = [r for r in read_standards(table, {p.analyte: p.unit for p in chart.strip.pads}) if r.role == "check"]
    pairs, unread = read_strangers(with_progress(rows, "Reading"), chart, profiles=measured(profiles, chart.card))
    for missing in unread:
        echo_error(f"{missing.photo}, {missing.analyte}: {missing.why}")
    return pairs

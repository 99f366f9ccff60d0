"""What `read` and `calibrate` print fits the terminal, and verdicts are in colour on a terminal only."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from calibration.chart import Chart
from shared.profile import PrintProfile
from stripread.cli.output import echo_verdicts
from stripread.cli.show_chart import calibration_lines, detail_lines
from stripread.cli.show_reading import Summary, as_text, joint_text
from stripread.reading.calibrate import Calibration, UnreadStandard
from stripread.reading.combine import combine
from stripread.reading.read import read_photo
from stripread.reading.result import Reading
from tests.loops import some

PHOTOS = ("sites/limestone-hill.jpg", "sites/salt-quay.jpg", "faults/no-strip.jpg", "faults/glare-on-pads.jpg")
WIDTHS = pytest.mark.parametrize("columns", [60, 80, 120])


@pytest.fixture(scope="module")
def readings(samples: Path, sample_chart: Chart, sample_profile: PrintProfile) -> list[Reading]:
    """With values within and beyond the range, flags, and without result."""
    return [read_photo(samples / name, sample_chart, [sample_profile]) for name in PHOTOS]


@pytest.fixture(autouse=True)
def terminal(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))


def too_long(text: str, columns: int) -> list[str]:
    lines = text.splitlines()
    assert lines
    return [line for line in lines if len(line) > columns]


@WIDTHS
def test_a_reading_fits(columns: int, readings: Sequence[Reading]) -> None:
    for reading in some(readings):
        assert too_long(as_text(reading), columns) == []
    assert too_long(joint_text(combine(readings)), columns) == []


@WIDTHS
def test_the_summary_of_a_folder_fits(columns: int, readings: Sequence[Reading], sample_chart: Chart,
                                      capsys: pytest.CaptureFixture[str]) -> None:
    summary = Summary([*PHOTOS, "a-long-name-as-some-phones-give-to-their-photographs.jpg"], sample_chart.strip)
    for reading in readings:
        summary.add(reading)
    summary.finish()
    assert too_long(capsys.readouterr().out, columns) == []


@WIDTHS
def test_a_calibration_fits(columns: int, sample_calibration: Calibration) -> None:
    unread = [UnreadStandard("C01-window.jpg", "hardness", "On the total hardness pad: something covers the pad.")]
    found = (*calibration_lines(sample_calibration, (), unread, Path("2026-A.json")),
             *detail_lines(sample_calibration, (), unread))
    # The chart's hash is one word.
    assert too_long("\n".join(line for line in found if sample_calibration.chart.id not in line), columns) == []


@pytest.mark.parametrize(("columns", "terminal_attached", "no_color", "coloured"), [
    (80, True, "", True), (80, True, "1", False), (80, False, "", False)])
def test_colour_is_for_terminals_without_no_color(
        *, terminal_attached: bool, no_color: str, coloured: bool, monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str]) -> None:
    """NO_COLOR: any value but the empty one disables colour (no-color.org)."""
    monkeypatch.setenv("NO_COLOR", no_color)
    monkeypatch.setattr("sys.stdout.isatty", lambda: terminal_attached)
    echo_verdicts("Out of limits: scale.")
    out = capsys.readouterr().out
    assert ("\x1b[" in out, "Out of limits" in out) == (coloured, True)

"""Files that are good and do not belong together, standards that make no chart: one message, and no value."""

from dataclasses import replace
from pathlib import Path

import pytest

import stripread
from calibration.chart import Chart
from shared.errors import FileError, MismatchError, PhotoError
from shared.profile import PrintProfile
from tests.photographs import SAMPLES

STANDARDS = SAMPLES / "standards"


def of_rows(folder: Path, *rows: str) -> Path:
    """A standards table in a folder, its photographs those of the samples."""
    path = folder / "standards.csv"
    header = "photo,standard,role,light,hardness [mg/L CaCO3],u(hardness) [mg/L CaCO3]"
    path.write_text("\n".join([header, *rows]) + "\n")
    return path


def test_one_level_is_no_curve(sample_profile: PrintProfile, tmp_path: Path) -> None:
    lights = ("window", "cool-led")
    table = of_rows(tmp_path, *(f"{STANDARDS}/H03-{light}.jpg,H03,standard,{light},30,0" for light in lights))
    with pytest.raises(FileError, match=r"hardness: too few levels for a curve; found 1 "):
        stripread.calibrate(table, sample_profile, batch="b")


def test_checks_are_no_standards(sample_profile: PrintProfile, tmp_path: Path) -> None:
    table = of_rows(tmp_path, f"{STANDARDS}/C01-window.jpg,C01,check,window,60,0")
    with pytest.raises(FileError, match="no analyte has standards"):
        stripread.calibrate(table, sample_profile, batch="b")


def test_unreadable_standards_are_no_standards(sample_profile: PrintProfile, tmp_path: Path) -> None:
    """Photographs that a technician would be asked to take again."""
    table = of_rows(tmp_path, *(f"{SAMPLES}/faults/{n}.jpg,H{i},standard,window,{10 * i},0"
                                for i, n in enumerate(("no-strip", "overexposed", "glare-on-pads"))))
    with pytest.raises(FileError, match="no analyte has standards"):
        stripread.calibrate(table, sample_profile, batch="b")


def test_a_standard_that_is_not_a_photograph(sample_profile: PrintProfile, tmp_path: Path) -> None:
    (tmp_path / "H01.jpg").write_text("not taken yet")
    with pytest.raises(PhotoError, match=r"H01\.jpg"):
        stripread.calibrate(of_rows(tmp_path, "H01.jpg,H01,standard,window,0,0"), sample_profile, batch="b")


def test_profile_of_another_print_run(sample_chart: Chart, sample_profile: PrintProfile, good_file: Path) -> None:
    with pytest.raises(MismatchError) as wrong:
        stripread.read_photo(good_file, sample_chart, replace(sample_profile, run=8))
    assert "print run 7" in str(wrong.value)
    assert "print run 8" in str(wrong.value)


def test_profile_of_another_card(sample_chart: Chart, sample_profile: PrintProfile, good_file: Path) -> None:
    """A patch that the chart's card has not."""
    other = replace(sample_profile, ids=("Z9", *sample_profile.ids[1:]))
    with pytest.raises(MismatchError, match="A0"):
        stripread.read_photo(good_file, sample_chart, other)

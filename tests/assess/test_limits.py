"""Shipped sets against what was published, and every way a limits file can be wrong."""

from pathlib import Path

import pytest

from assess.limits import LimitSet, load_limits, shipped_sets
from shared.errors import FileError
from tests.loops import some

#: (set, measure, at least, at most, best), as published or by common practice.
PUBLISHED = [
    # Specialty Coffee Association of America, Standard: Water for Brewing Specialty Coffee (publisher's page):
    # calcium hardness 68, 17 to 85; pH 7.0, 6.5 to 7.5; alkalinity at or near 40; sodium at or near 10.
    ("cup-target", "calcium-hardness", 17.0, 85.0, 68.0),
    ("cup-target", "ph", 6.5, 7.5, 7.0),
    # SCA/SCAE water chart and Water Quality Handbook 2016-2018 (from memory and a secondary page).
    ("cup-chart", "hardness", 50.0, 175.0, None),
    ("cup-chart", "alkalinity", 40.0, 75.0, None),
    ("cup-chart", "ph", 6.0, 8.0, None),
    # US EPA secondary standards, 40 CFR 143.3: chloride 250 mg/L.
    ("default", "chloride", None, 250.0, None),
    # WHO Guidelines, 4th ed. (from memory): taste of free chlorine from 0.3 mg/L.
    ("default", "chlorine", None, 0.3, None),
    # Larson & Skold 1958, Corrosion 14:285: below 0.8 (bands seen in secondary sources).
    ("default", "larson-skold", None, 0.8, None),
    # Common practice, no source: optimum about 60, scale the worry above 90; pH 7 to 8; salt near 1000 mg/L.
    ("default", "hardness", 40.0, 90.0, 60.0),
    ("default", "ph", 7.0, 8.0, None),
    ("default", "salt", None, 1000.0, None),
]


@pytest.mark.parametrize(("name", "measure", "low", "high", "best"), PUBLISHED)
def test_limits_as_published(name: str, measure: str, low: float | None, high: float | None,
                             best: float | None) -> None:
    (limit,) = load_limits(name).on(measure)
    assert (limit.at_least, limit.at_most, limit.best) == (low, high, best)


@pytest.mark.parametrize("name", shipped_sets())
def test_every_limit_names_its_source(name: str) -> None:
    for limit in some(load_limits(name).limit):
        assert limit.source.strip()


def test_common_practice_is_named_as_the_source() -> None:
    said = {m: load_limits().on(m)[0].source for m in ("hardness", "ph", "salt", "scale")}
    assert all("common practice, no source" in source for source in some(said.values()))


def test_a_set_that_extends_keeps_the_limits_on_other_measures() -> None:
    base, target = load_limits("default"), load_limits("cup-target")
    assert target.on("boiler-chloride") == base.on("boiler-chloride")
    assert target.on("alkalinity") != base.on("alkalinity")


GOOD = """name = "mine"
about = "my own"
[[limit]]
measure = "hardness"
unit = "mg/L CaCO3"
at_least = 50
at_most = 80
severity = "cup"
if_low = "thin"
if_high = "hard"
source = "my own tastings"
"""


def write(folder: Path, text: str) -> LimitSet:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return load_limits(path)


def test_the_user_s_own_file(tmp_path: Path) -> None:
    assert write(tmp_path, GOOD).on("hardness")[0].at_most == 80
    assert write(tmp_path, 'extends = "default"\n' + GOOD).on("boiler-chloride") == load_limits().on("boiler-chloride")


@pytest.mark.parametrize(("old", "new", "says"), [
    ('measure = "hardness"', 'measure = "softness"', "no such measure: 'softness'; allowed: scale"),
    ('unit = "mg/L CaCO3"', 'unit = "°dH"', "stated in 'mg/L CaCO3', found '°dH'"),
    ("at_most = 80", "at_most = 40", "at_least 50 must be below at_most 40"),
    ("at_least = 50\nat_most = 80\n", "", "needs at_least or at_most"),
    ('if_high = "hard"\n', "", "needs if_high"),
    ('severity = "cup"', 'severity = "grave"', "allowed: 'cup', 'information', 'leaching', 'machine', 'scale'"),
    ("at_most = 80", "at_moist = 80", "at_moist"),
    ("at_most = 80", 'at_most = "80"', "limit[0].at_most"),
    ('name = "mine"', 'name = "mine', "is not valid TOML"),
    ('source = "my own tastings"\n', 'source = "my own tastings"\n' + GOOD.partition("[[limit]]")[1]
     + GOOD.partition("[[limit]]")[2], "2 limits on hardness; state at_least and at_most in one limit"),
    ('name = "mine"', 'name = "mine"\nextends = "unknown"', "no such set to extend"),
])
def test_a_wrong_file_is_named_with_its_key(tmp_path: Path, old: str, new: str, says: str) -> None:
    with pytest.raises(FileError) as caught:
        write(tmp_path, GOOD.replace(old, new))
    assert "mine.toml" in caught.value.message
    assert says in caught.value.message


def test_an_unknown_set_lists_the_known() -> None:
    with pytest.raises(FileError, match="cup-chart, cup-target, default"):
        load_limits("strictest")

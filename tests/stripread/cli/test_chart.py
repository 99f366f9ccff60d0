import json
import shutil
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from calibration.chart import Chart
from tests.stripread.cli.inside import stripread


@pytest.fixture
def chart_file(sample_chart_file: Path, tmp_path: Path) -> Path:
    """A copy in a folder of its own, so that releases of one test are not in the folder of another's chart."""
    return Path(shutil.copy(sample_chart_file, tmp_path / "batch.json"))


def release_command(chart: Path, samples: Path) -> list[str]:
    return ["chart", "release", str(chart), "--by", "analyst 3", "--why", "checks passed", "--until", "2099-12-31",
            "--checks", str(samples / "checks" / "checks.csv"), "--profile", str(samples / "card-run-007.txt")]


def test_the_gate_lists_what_a_release_lacks(chart_file: Path, samples: Path, tmp_path: Path) -> None:
    """Failing check standards, strips past their expiry date, lights of the fit: each by itself stops the release."""
    done = stripread("chart", "release", chart_file, "--by", "analyst 3", "--why", "w", "--until", "2099-12-31")
    assert done.returncode == 2
    assert "the expiry date of the strip batch is not known" in done.stderr
    assert "hardness, alkalinity, ph, chloride, chlorine: check standards at 0 of 3 different levels" in done.stderr
    late = stripread(*release_command(chart_file, samples), "--expires", "2099-12-30")
    assert late.returncode == 2
    assert "would end on 2099-12-31, after the strips' expiry date 2099-12-30" in late.stderr
    assert "levels" not in late.stderr
    wrong = tmp_path / "wrong.csv"
    lines = (samples / "checks" / "checks.csv").read_text().splitlines()
    rows = [line.split(",") for line in lines[1:]]
    wrong.write_text("\n".join([lines[0], *(",".join([
        str(samples / "checks" / r[0]), *r[1:6], str(float(r[6]) / 2), *r[7:]]) for r in rows)]))
    command = [str(wrong) if arg.endswith("checks.csv") else arg for arg in release_command(chart_file, samples)]
    failed = stripread(*command, "--expires", "2099-12-31")
    assert failed.returncode == 2
    assert "alkalinity: 6 of 6 zeta scores exceed 2; at most 2 may" in failed.stderr
    assert "none may exceed 3.5" in failed.stderr
    assert not list(chart_file.parent.glob("*.release-*"))
    assert stripread(*command, "--expires", "2099-12-31", "--despite", "standards mixed wrongly").returncode == 0
    printed = stripread("chart", "show", chart_file).stdout
    for piece in ("! chart-override:", "override of the release gate: standards mixed wrongly",
                  "missing: alkalinity: 6 of 6 zeta scores"):
        assert piece in printed


def test_an_override_that_is_not_needed_is_not_recorded(chart_file: Path, samples: Path) -> None:
    done = stripread(*release_command(chart_file, samples), "--expires", "2099-12-31", "--despite", "to be sure")
    assert done.returncode == 0
    assert json.loads(stripread("chart", "show", chart_file, "--json").stdout)["state"] == "released"


def test_a_chart_is_drafted_released_and_withdrawn(chart_file: Path, sample_chart: Chart, samples: Path) -> None:
    def state() -> str:
        return str(json.loads(stripread("chart", "show", chart_file, "--json").stdout)["state"])

    assert state() == "chart-draft"
    done = stripread(*release_command(chart_file, samples), "--expires", "2099-12-31")
    assert (done.returncode, done.stderr) == (0, "")
    assert sample_chart.id in done.stdout
    assert state() == "released"
    stripread("chart", "withdraw", chart_file, "--by", "analyst 3", "--why", "a drift was seen")
    assert state() == "chart-withdrawn"
    printed = stripread("chart", "show", chart_file).stdout
    for piece in (sample_chart.id, "checks passed", "a drift was seen", "valid", "hardness", "! chart-withdrawn:"):
        assert piece in printed


def test_a_release_that_ends_before_it_begins_is_refused(chart_file: Path) -> None:
    done = stripread("chart", "release", chart_file, "--by", "a", "--why", "b", "--until", "2020-01-01")
    assert done.returncode == 2
    assert "would end before it begins; found 2020-01-01" in done.stderr
    assert list(chart_file.parent.glob("*.release-*")) == []


def test_a_chart_compared_with_itself(chart_file: Path, sample_chart: Chart) -> None:
    printed = json.loads(stripread("chart", "compare", chart_file, chart_file, "--allow", "hardness=0.3 °dH",
                                "--json").stdout)
    assert [c["analyte"] for c in printed] == [c.analyte for c in sample_chart.curves]
    assert not any(c["real"] or c["matters"] for c in printed)
    assert printed[0]["levels"][0]["allowed"] == pytest.approx(0.3 * 17.848, rel=1e-4)
    done = stripread("chart", "compare", chart_file, chart_file, "--allow", "hardnes=5")
    assert done.returncode == 2
    assert "no such analyte" in done.stderr


def checks_table(path: Path, *, drift: float) -> Path:
    """Two standards in 30 runs, the last six of them shifted by ``drift`` standard deviations."""
    rows = ["run,standard,hardness [mg/L CaCO3],ph"]
    for i in range(30):
        shift = drift if i >= 24 else 0.0
        scatter = (0.8, -0.6, 1.0, -1.1, 0.4)[i % 5]
        rows += [f"day {i + 1},{name},{mean + 3 * (sign * scatter + shift):.1f},7.{20 + i % 5}"
                 for name, mean, sign in (("C01", 60, 1), ("C02", 180, -1))]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_control_charts_are_reported_and_drawn(tmp_path: Path) -> None:
    table, drawn = checks_table(tmp_path / "checks.csv", drift=4.0), tmp_path / "control.svg"
    done = stripread("chart", "control", table, "-o", drawn, "--fail-on", "out-of-control")
    assert (done.returncode, done.stderr) == (1, "")
    assert "hardness: out of control" in done.stdout
    assert "1-3s: one result beyond 3 s. Usually" in done.stdout
    tree = ET.parse(drawn)  # noqa: S314 - our own file
    text = " ".join(tree.getroot().itertext())
    assert "total hardness [mg/L CaCO3]" in text
    assert "out of control" in text
    titles = [t.text or "" for t in tree.getroot().iter("{http://www.w3.org/2000/svg}title")]
    assert len(titles) == 120
    assert any("1-3s" in t for t in titles)


def test_a_verdict_changes_the_status_only_when_asked(tmp_path: Path) -> None:
    bad, good = (checks_table(tmp_path / f"{d}.csv", drift=d) for d in (4.0, 0.0))
    assert stripread("chart", "control", bad).returncode == 0
    assert stripread("chart", "control", good, "--fail-on", "out-of-control").returncode == 0


def test_a_phone_that_took_nothing_is_an_error(tmp_path: Path) -> None:
    done = stripread("chart", "control", checks_table(tmp_path / "c.csv", drift=0), "--phone", "nobody's")
    assert done.returncode == 2
    assert "found nobody's" in done.stderr

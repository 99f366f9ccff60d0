"""A chart as a file: what is written is read again, its identity is its content, and damage is named."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from scipy.stats import binom

from calibration.chart import Chart, LightProperties, load_chart, save_chart
from calibration.cross_validation import LightCoverage, lights_of
from calibration.curve import LightOmission
from shared.errors import FileError
from stripread.report.calibration_text import light_lines
from tests.loops import some


def test_written_and_read_again(sample_chart: Chart, tmp_path: Path) -> None:
    """Equal to the last digit, so that a reading on it is too."""
    save_chart(sample_chart, tmp_path / "chart.json")
    again = load_chart(tmp_path / "chart.json")
    assert again == sample_chart
    assert again.id == sample_chart.id
    for one, other in zip(some(sample_chart.curves), again.curves, strict=True):
        assert np.array_equal(one.grid_weights, other.grid_weights)


def test_identity_is_the_content_not_the_layout(sample_chart: Chart, tmp_path: Path) -> None:
    path = tmp_path / "chart.json"
    save_chart(sample_chart, path)
    path.write_text(json.dumps(json.loads(path.read_text()), indent=4, sort_keys=False))
    assert load_chart(path).id == sample_chart.id
    content = json.loads(path.read_text())
    content["curves"][0]["weights"][5][3] += 1e-6
    path.write_text(json.dumps(content))
    assert load_chart(path).id != sample_chart.id


def test_a_chart_records_its_conditions(sample_chart: Chart, samples: Path) -> None:
    made = sample_chart.conditions
    assert made.lights == ("cool-led", "warm-led", "window")
    assert made.print_run == 7
    assert (made.photographs, made.excluded) == (56, ())
    assert {c.analyte for c in sample_chart.curves} == {"hardness", "alkalinity", "ph", "chloride", "chlorine"}
    ph = sample_chart.curve("ph")
    assert ph is not None
    assert (ph.unit, ph.scale.low, ph.scale.high) == ("pH", 6.0, 9.0)
    assert sample_chart.curve("sodium") is None
    assert (samples / "standards" / "standards.csv").is_file()


Change = Callable[[dict[str, Any]], Any]


def changed(chart: Chart, change: Change) -> str:
    content = json.loads(msgspec.json.encode(chart))
    change(content)
    return json.dumps(content)


#: What was done to the file's content, and what the message must name.
DAMAGE: dict[str, tuple[Change, str]] = {
    "another kind of file": (lambda c: c.update(format="strip-type/1"), "strip-chart/1"),
    "no curves": (lambda c: c.pop("curves"), "curves"),
    "an unknown key": (lambda c: c.update(colour="blue"), "colour"),
    "text for a number": (lambda c: c["curves"][1]["scale"].update(low="none"), "curves[1].scale.low"),
    "a scale upside down": (lambda c: c["curves"][0]["scale"].update(low=9e9), "below high"),
    "a card that overlaps itself": (lambda c: c["card"]["patches"][1].update(x=24.0), "overlap"),
    "a strip of another unit": (lambda c: c["strip"]["pads"][0].update(unit="mmol/L"), "mmol/L"),
    "nodes that are missing": (lambda c: c["curves"][0]["weights"].pop(), "33"),
    "a node with a number too few": (lambda c: c["curves"][0]["weights"][4].pop(), "12"),
    "a covariance with a number too few": (lambda c: c["curves"][2]["covariance"][4].pop(), "78"),
    "a covariance of 1e308": (lambda c: c["curves"][0]["covariance"][7].__setitem__(0, 1e308), "covariances must be"),
    "a negative variance": (lambda c: c["curves"][0]["covariance"][7].__setitem__(0, -0.5), "negative eigenvalue"),
    "a weight of 1e308": (lambda c: c["curves"][0]["weights"][7].__setitem__(0, 1e308), "weights must be"),
    "a scale to 1e308": (lambda c: c["curves"][0]["scale"].update(high=1e308), "numbers of a scale"),
    "a card of 10 km": (lambda c: c["card"].update(size=[1e7, 1e7]), "up to 420"),
    "an analyte in another unit than its pad's": (lambda c: c["curves"][0].update(unit="mmol/L"), "mmol/L"),
    "two curves of one analyte": (lambda c: c["curves"].append(c["curves"][0]), "hardness"),
}


@pytest.mark.parametrize(("change", "names"), DAMAGE.values(), ids=DAMAGE.keys())
def test_damage_is_named(sample_chart: Chart, tmp_path: Path, change: Change, names: str) -> None:
    path = tmp_path / "chart.json"
    path.write_text(changed(sample_chart, change))
    with pytest.raises(FileError) as wrong:
        load_chart(path)
    assert str(path) in str(wrong.value)
    assert names in str(wrong.value)


@pytest.mark.parametrize("content", [b"", b"{", b"[1, 2", b"\xff\xd8\xff\xe0 a photograph", b"null", b"[]"])
def test_what_is_no_chart(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "chart.json"
    path.write_bytes(content)
    with pytest.raises(FileError) as wrong:
        load_chart(path)
    assert str(wrong.value).startswith(str(path))


def test_cut_short(sample_chart: Chart, tmp_path: Path) -> None:
    path = tmp_path / "chart.json"
    save_chart(sample_chart, path)
    path.write_bytes(path.read_bytes()[:-2000])
    with pytest.raises(FileError, match="is not valid JSON"):
        load_chart(path)


def test_a_folder_cannot_be_written_nor_a_missing_file_read(sample_chart: Chart, tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be written"):
        save_chart(sample_chart, tmp_path)
    with pytest.raises(FileError, match="cannot be read"):
        load_chart(tmp_path / "chart.json")


def test_a_chart_s_file_may_be_named_by_a_text(sample_chart: Chart, tmp_path: Path) -> None:
    import stripread

    stripread.save_chart(sample_chart, str(tmp_path / "chart.json"))
    assert stripread.load_chart(str(tmp_path / "chart.json")) == sample_chart


SEEN = LightProperties(light="window", photographs=12, lamps={"D65": 0.7, "A": 0.05, "E": 0.25})


@pytest.mark.parametrize(("n", "covered"), [(n, k) for n in (5, 20, 105) for k in range(n // 2, n + 1)])
def test_a_light_is_validated_where_low_coverage_may_be_chance(n: int, covered: int) -> None:
    assert LightCoverage(SEEN, n, covered).carries is bool(binom.cdf(covered, n, 0.95) >= 0.01)


def test_a_light_that_was_never_left_out_has_no_result() -> None:
    assert LightCoverage(SEEN, 0, 0).carries is None


def test_the_likeliest_lamps_are_named_first() -> None:
    assert LightCoverage(SEEN, 0, 0).lamps == (("D65", 0.7), ("E", 0.25))


def test_the_samples_lights_are_seen_and_carry(sample_chart: Chart) -> None:
    """The samples' README: window light and one of two lamps for each of 28 solutions."""
    lights = {v.seen.light: v for v in lights_of(sample_chart)}
    assert {name: v.seen.photographs for name, v in lights.items()} == {"window": 28, "cool-led": 14, "warm-led": 14}
    for light in lights.values():
        assert sum(light.seen.lamps.values()) == pytest.approx(1.0, abs=0.01)
        assert light.carries
    assert lights["cool-led"].lamps[0][0].startswith("LED")


def test_the_sentence_follows_the_counts(sample_chart: Chart) -> None:
    def last_line(left_out: dict[str, LightOmission]) -> str:
        curves = [msgspec.structs.replace(c, lights=tuple(left_out.values())) for c in sample_chart.curves]
        return list(light_lines(msgspec.structs.replace(sample_chart, curves=tuple(curves))))[-1]

    good = {name: LightOmission(light=name, n=10, covered=10, rms=1.0) for name in sample_chart.conditions.lights}
    assert "for similar lights" in last_line(good)
    good["window"] = LightOmission(light="window", n=10, covered=6, rms=9.0)
    assert "does not transfer to a light that was excluded from the fit (window)" in last_line(good)
    assert "Not tested under other lights" in last_line({})

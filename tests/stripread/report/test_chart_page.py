"""The page of a calibration: complete, self-contained, and drawn where the numbers say."""

import re
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import chi2

from calibration.checks import Check
from calibration.cross_validation import without_levels
from calibration.curve import Curve
from shared.profile import PrintProfile
from shared.text import written
from stripread.reading.calibrate import Calibration, UnreadStandard, judge, read_check_samples
from stripread.reading.read import ReadingSetup
from stripread.report.chart_figures import Figures, _ellipse, card_plot, chroma_plot, residual_plot, value_plot
from stripread.report.chart_page import chart_sheet, write_chart_report
from stripread.report.ramp import pad_ramp
from stripread.report.render import MOST_TICKS, Frame, even_ticks, round_values
from tests.loops import some
from tests.stripread.report.test_page import Elements

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def checked(sample_calibration: Calibration, sample_profile: PrintProfile) -> list[Check]:
    pairs, unread = read_check_samples(sample_calibration.checks,
                                       ReadingSetup(sample_calibration.chart, (sample_profile,)))
    assert not unread
    return judge(pairs, sample_calibration.chart)


@pytest.fixture(scope="module")
def page(sample_calibration: Calibration, checked: list[Check], tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("chart") / "chart.html"
    write_chart_report(path, sample_calibration, checked, [UnreadStandard("C09.jpg", "ph", "Too dark.")])
    return path.read_text(encoding="utf-8")


@pytest.fixture(scope="module", params=["hardness", "ph", "chlorine"])
def figures(request: pytest.FixtureRequest, sample_calibration: Calibration, sample_profile: PrintProfile) -> Figures:
    fit = next(f for f in sample_calibration.fits if f.curve.analyte == request.param)
    suspected = frozenset({fit.process.standards[3].photo})
    return Figures(fit, without_levels(fit), suspected, sample_profile.lab_of(sample_calibration.chart.card.patch_ids))


def test_the_basis_of_the_chart_is_reported(page: str, sample_calibration: Calibration, checked: list[Check]) -> None:
    chart = sample_calibration.chart
    for fact in (chart.id, chart.batch, chart.conditions.standards_sha256, chart.conditions.profile, "print run 7",
                 "draft", "Too dark."):
        assert fact in page
    for curve in some(chart.curves):
        assert f'id="{curve.analyte}"' in page
        assert all(f"{t.left_out:.2f}" in page for t in some(curve.tried))
    assert len(checked) == 15
    for check in checked:
        read = check.pair.read
        assert written(read, read.unit).interval in page


def test_the_page_is_complete_and_loads_nothing(page: str) -> None:
    elements = Elements(page).found
    assert not [tag for tag, _ in elements if tag in {"script", "link", "iframe", "object", "form"}]
    sources = [a[k] or "" for _, a in elements for k in ("src", "href", "xlink:href") if k in a]
    assert all(s.startswith(("data:image/", "#")) for s in some(sources))
    ids = [a["id"] for _, a in elements if "id" in a]
    assert len(ids) == len(set(ids))
    assert set(re.findall(r"url\(#([^)]+)\)", page)) <= set(ids)


def test_drawings_have_a_text_alternative(page: str) -> None:
    drawings = [a for tag, a in Elements(page).found if tag == "svg" and "aria-hidden" not in a]
    assert len(drawings) == 5 * (5 + 1), "for each analyte five plots and the pads; a mark of the key has its text"
    assert all(a.get("aria-label") for a in some(drawings))


def test_names_from_outside_are_text(sample_calibration: Calibration, tmp_path: Path) -> None:
    chart = msgspec.structs.replace(sample_calibration.chart, batch="<script>alert(1)</script>")
    hostile = Calibration(chart, sample_calibration.fits, sample_calibration.seen)
    write_chart_report(tmp_path / "c.html", hostile, [], [])
    text = (tmp_path / "c.html").read_text(encoding="utf-8")
    assert "<script" not in text
    assert "The table contains no check standard" in text


def places(points: str) -> Array:
    return np.array([[float(v) for v in pair.split(",")] for pair in points.split()])


def test_a_photograph_is_drawn_at_its_value_with_its_interval(figures: Figures) -> None:
    plot = value_plot(figures)
    left, top, right, bottom = plot.frame.field
    scale, bars = figures.curve.scale, plot.lines[1:]
    assert len(bars) == len(plot.dots) == len(figures.left_out)
    for dot, bar, one in zip(some(plot.dots), bars, figures.left_out, strict=True):
        # A value beyond the last standard lies on the frame's edge.
        known, read = ((float(scale.position(min(v, scale.high))) + 0.03) / 1.06
                       for v in (one.standard.value, one.read.value))
        assert dot.x == pytest.approx(left + known * (right - left), abs=0.06)
        assert dot.y == pytest.approx(bottom - read * (bottom - top), abs=0.06)
        assert dot.hollow is (one.standard.value in (scale.low, scale.high))
        low, high = places(bar.points)[:, 1]
        assert high - 0.1 <= dot.y <= low + 0.1


def test_units_of_a_and_b_are_drawn_alike(figures: Figures) -> None:
    for plot in (chroma_plot(figures), card_plot(figures)):
        f = plot.frame
        assert abs(f.across(1) - f.across(0)) == pytest.approx(abs(f.up(1) - f.up(0)), abs=0.21)


def test_the_hull_contains_every_patch_and_describes_the_curve(figures: Figures) -> None:
    """A point lies in a convex outline when it is on one side of all edges."""
    plot = card_plot(figures)
    corners = places(plot.areas[0].points)
    edges = np.roll(corners, -1, axis=0) - corners

    def inside(points: Array) -> NDArray[np.bool_]:
        to = points[:, None] - corners
        side = (edges[:, 0] * to[..., 1] - edges[:, 1] * to[..., 0]) / np.linalg.norm(edges, axis=1)
        return np.asarray((side >= -0.2).all(axis=1) | (side <= 0.2).all(axis=1))

    assert inside(np.array([(d.x, d.y) for d in plot.dots])).all()
    share = inside(places(plot.lines[1].points)).mean()
    said = re.search(r"(\d+) % of the curve lies within", plot.description)
    assert (100 if said is None else int(said[1])) == pytest.approx(100 * share, abs=1)


def test_the_suspected_photograph_is_ringed(figures: Figures) -> None:
    for plot in (chroma_plot(figures), value_plot(figures), residual_plot(figures)):
        assert [d.ringed for d in plot.dots].count(True) == 1
        assert plot.dots[3].ringed


def test_ellipses_contain_95_percent(sample_calibration: Calibration) -> None:
    """Their outline is where Mahalanobis' distance is the 95 % point of chi-square with 2 degrees (SciPy)."""
    for curve in some(f.curve for f in sample_calibration.fits):
        level = curve.levels[2]
        off = _ellipse(curve, level.value, level.lab) - level.lab[1:]
        distance = (off @ np.linalg.inv(curve.lab_covariance(level.value)[1:, 1:]) * off).sum(axis=1)
        assert distance == pytest.approx(chi2.ppf(0.95, 2), rel=1e-6)


def test_the_pads_pictures_look_like_their_pads(sample_calibration: Calibration) -> None:
    """The middle of each crop against the counts that the reader sampled there (its robust mean); bed at the rim."""
    assert len(sample_calibration.seen) > 9
    for seen in some(sample_calibration.seen[::9]):
        for pad in some(seen.observed.pads):
            crop = seen.pads[pad.pad.analyte].astype(float)
            assert crop[14:34, 14:34].mean(axis=(0, 1)) == pytest.approx(pad.sample.mean, abs=3)
            assert np.ptp(crop[0].mean(axis=0)) < 40, "grey"


def test_each_level_has_a_pad_under_each_light_it_was_photographed_in(sample_calibration: Calibration) -> None:
    curve = sample_calibration.chart.curves[0]
    drawn = pad_ramp(curve, sample_calibration.seen)
    assert drawn.lights == ("cool-led", "warm-led", "window")
    for column in some(drawn.columns):
        assert [bool(p) for p in column.pads].count(True) == 2
        assert column.pads[2].startswith("data:image/jpeg;base64,")
    assert [c.on_ramp for c in drawn.columns] == sorted(c.on_ramp for c in drawn.columns)


def spans() -> Iterator[tuple[float, float]]:
    rng = np.random.default_rng(5)
    for scale in 10.0 ** rng.uniform(-3, 4, 200):
        low = rng.normal() * scale
        yield float(low), float(low + scale * rng.uniform(0.1, 3))


def test_ticks_are_round_and_few() -> None:
    for low, high in some(spans()):
        values = round_values(low, high)
        step = np.diff(values)
        assert 2 <= len(values) <= MOST_TICKS + 1
        assert step == pytest.approx(step[0])
        mantissa = step[0] / 10 ** np.floor(np.log10(step[0]) + 1e-9)
        assert mantissa == pytest.approx(min((1, 2, 5), key=lambda m: abs(m - mantissa)))
        assert low - 1e-9 * step[0] <= values[0]
        assert values[-1] <= high + 1e-6 * step[0]
    assert even_ticks((0.0, 0.3))[1][1] == "0.05"


def test_a_frame_maps_its_corners() -> None:
    frame = Frame((2.0, 4.0), (-1.0, 1.0))
    left, top, right, bottom = frame.field
    assert (frame.across(2), frame.up(-1), frame.across(4), frame.up(1)) == (left, bottom, right, top)
    assert frame.points([(3, 0)]) == f"{(left + right) / 2:.1f},{(top + bottom) / 2:.1f}"


def test_the_sheet_has_a_curve_an_analyte(sample_calibration: Calibration, checked: list[Check]) -> None:
    sheet = chart_sheet(sample_calibration, checked, [])
    curves: list[Curve] = [a.curve for a in sheet.analytes]
    assert tuple(curves) == sample_calibration.chart.curves
    assert [a.heading for a in sheet.analytes][2] == "pH"
    assert all(a.passed == len(a.checks) == 3 and a.tone == "good" for a in sheet.analytes)

from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from calibration.chart import Chart
from shared.estimate import Status
from stripread.monitoring.trend.trend import trend
from stripread.report.trend import trend_plot, write_trend_plot
from tests.stripread.store.histories import (
    NOW,
    Value,
    empty_store,
    keep,
    photograph_of,
    reading_of,
    with_chart,
    with_site,
)

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("status", ["measured", "below", "above"])
def test_even_a_single_reading_is_drawn_and_described(tmp_path: Path, sample_chart: Chart, status: Status) -> None:
    store = with_site(empty_store(tmp_path))
    charts = with_chart(store, sample_chart, "A")
    photograph = photograph_of("one", NOW, point="tap", batch="A")
    keep(store, photograph, reading_of(photograph, {"hardness": Value(60.0, status=status)}, chart=charts["A"]))
    found = trend(store, "tap")
    store.close()
    write_trend_plot(tmp_path / "trend.svg", found)
    drawn = ET.parse(tmp_path / "trend.svg").getroot()  # noqa: S314
    assert drawn.findtext(f"{SVG}title") == "Mill Lane, tap (mains)"
    printed = drawn.findtext(f"{SVG}desc") or ""
    assert "total hardness. Measured once, on 2026-03-02" in printed
    assert ".." not in printed
    plot = trend_plot(found, found.analytes[0])
    dot, = plot.dots
    left, top, right, bottom = plot.frame.field
    assert left < dot.x < right
    assert top < dot.y < bottom

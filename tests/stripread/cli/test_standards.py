"""`stripread standards` as a new user meets it, and its pages as a browser prints them."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from calibration.labels import Label
from stripread.cli.main import run
from stripread.reading.label import labels_in


@pytest.fixture
def plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """The example as a new user saves it."""
    assert run(["standards", "template"]) == 0
    path = tmp_path / "plan.toml"
    path.write_text(capsys.readouterr().out, encoding="utf-8")
    return path


def test_plan_writes_its_files_and_warnings(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = plan.parent / "out"
    assert run(["standards", "plan", str(plan), "-o", str(out)]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert "  H04  total hardness 49.99 (0.29) mg/L CaCO3, chloride 150.08 (0.40) mg/L Cl\n" in said.out
    assert "! The hypochlorite has not been titrated." in said.out
    assert sorted(p.name for p in out.iterdir()) == ["aliquots.csv", "labels.html", "sheet.html", "standards.csv"]
    sheet = (out / "sheet.html").read_text(encoding="utf-8")
    assert sheet.index("NEVER mix hypochlorite with acids") < sheet.index("Order of work") < sheet.index("Ca²⁺")
    assert "Not food grade: NaCl (R-311)" in sheet
    assert not [link for link in ("src=", "href=", "url(", "@import", "<script") if link in sheet]


def test_a_filled_table_is_not_overwritten(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    args = ["standards", "plan", str(plan), "-o", str(plan.parent)]
    assert run(args) == 0
    table = plan.parent / "standards.csv"
    filled = table.read_text(encoding="utf-8").replace("H01-window.jpg", "IMG_0001.jpg")
    table.write_text(filled, encoding="utf-8")
    assert run(args) == 2
    assert "standards.csv: the folder contains a standards table that differs" in capsys.readouterr().err
    assert table.read_text(encoding="utf-8") == filled
    assert run([*args, "--overwrite"]) == 0
    assert "IMG_0001.jpg" not in table.read_text(encoding="utf-8")


def test_json_contains_everything(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["standards", "plan", str(plan), "--json"]) == 0
    output = json.loads(capsys.readouterr().out)
    assert output["files"] == []
    h02 = next(s for s in output["solutions"] if s["id"] == "H02")
    assert [(a["stock"], a["total_ml"]) for a in h02["aliquots"]] == [("calcium", 1.11), ("salt", 28.0)]
    hardness = h02["values"][0]
    assert hardness["wanted"] == 15
    parts = sum(p["u"] ** 2 for p in hardness["prepared"]["parts"])
    assert hardness["u"] == pytest.approx(parts**0.5)
    assert {r["id"] for r in output["remarks"]} >= {"not-standardised", "calcite", "ph-drift"}
    assert next(s for s in output["stocks"] if s["id"] == "calcium")["planned_g"] == 10


@pytest.mark.parametrize(("args", "said"), [
    (["plan", "no-such.toml"], "no-such.toml: the file cannot be read"),
    (["labels", "no-such.toml", "-o", "x.html"], "no-such.toml: the file cannot be read"),
    (["plan"], "Missing argument 'PLAN'"),
])
def test_bad_use_is_exit_2(args: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["standards", *args]) == 2
    assert said in capsys.readouterr().err


def printed(page: Path, chromium: str) -> pypdfium2.PdfDocument:
    pdf = page.with_suffix(".pdf")
    subprocess.run([chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
                    "--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri()],
                   check=True, capture_output=True, timeout=120)
    return pypdfium2.PdfDocument(pdf)


def test_labels_print_and_are_read_back(plan: Path, chromium: str) -> None:
    """From the plan to paper at 200 dpi and back: each of the first page's fourteen labels says its solution."""
    page = plan.parent / "labels.html"
    assert run(["standards", "labels", str(plan), "-o", str(page)]) == 0
    sheet = printed(page, chromium)[0].render(scale=200 / 72).to_numpy()[..., :3]
    per_mm = 200 / 25.4
    found: list[Label] = []
    for row in range(7):
        for column in range(2):
            x, y = (10 + 95 * column) * per_mm, (21 + 34 * row) * per_mm
            cell = sheet[int(y) : int(y + 36 * per_mm), int(x) : int(x + 34 * per_mm)]
            found += labels_in(np.ascontiguousarray(cell, dtype=np.uint8))
    names = [*(f"H{n:02d}" for n in range(1, 11)), *(f"A{n:02d}" for n in range(1, 5))]
    assert found == [Label(name, "demo-24") for name in names]


def test_the_sheet_prints_with_every_solution(plan: Path, chromium: str) -> None:
    assert run(["standards", "plan", str(plan), "-o", str(plan.parent)]) == 0
    pages = [p.get_textpage().get_text_bounded() for p in printed(plan.parent / "sheet.html", chromium)]
    assert 4 <= len(pages) <= 8
    text = " ".join(pages)
    assert all(f"{name}: " in text for name in ("H01", "H10", "A10", "C03", "P05"))
    assert "10.0000 g of CaCl2·2H2O, lot K-1183" in " ".join(text.split())

"""`stripread standards match`: labels in photographs fill the table, and calibration takes it as it is."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.labels import Label
from stripread.cli.main import run
from tests.labels import photographed, printed
from tests.loops import some

#: Where each label lies; the card begins 20 px further down.
PLACE, SIDE_PX = (105, 105), 150
#: Standard, light, and how far its label is turned: five levels, two of them with two lights.
SHOWN = [("H01", "window", 0), ("H03", "window", 12), ("H05", "window", 90), ("H07", "window", 200),
         ("H09", "window", 340), ("H03", "cool-led", 45), ("H07", "cool-led", 180)]


def labelled(sample: Path, to: Path, *labels: tuple[Label, tuple[int, int], float]) -> Path:
    """A sample photograph with labels in it."""
    picture = cv2.imread(str(sample))
    assert picture is not None
    there = picture.astype(np.uint8)
    for label, at, turned in labels:
        there = photographed(there, printed(label), at=at, side=SIDE_PX, turned=turned)
    to.parent.mkdir(parents=True, exist_ok=True)
    assert cv2.imwrite(str(to), there, [cv2.IMWRITE_JPEG_QUALITY, 95])
    return to


@pytest.fixture(scope="module")
def photographs(samples: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A camera's folder: photographs named by the camera, in a folder for each light."""
    folder = tmp_path_factory.mktemp("camera")
    for n, (standard, light, turned) in enumerate(SHOWN):
        labelled(samples / "standards" / f"{standard}-{light}.jpg", folder / light / f"IMG_{n:04}.jpg",
                 (Label(standard, "demo-24"), PLACE, turned))
    return folder


@pytest.fixture
def desk(photographs: Path, samples: Path, tmp_path: Path) -> Path:
    """The camera's folder next to the table of a plan: the samples' own, with the five levels under window."""
    shutil.copytree(photographs, tmp_path, dirs_exist_ok=True)
    lines = (samples / "standards" / "standards.csv").read_text(encoding="utf-8").splitlines()
    wanted = {standard for standard, _, _ in SHOWN}
    rows = [line for line in lines[1:] if line.split(",")[1] in wanted and ",window," in line]
    (tmp_path / "standards.csv").write_text("\n".join([lines[0], *rows]) + "\n", encoding="utf-8")
    return tmp_path


def rows_of(table: Path) -> list[dict[str, str]]:
    with table.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_photographs_find_their_rows_and_calibrate(desk: Path, samples: Path,
                                                   capsys: pytest.CaptureFixture[str]) -> None:
    """Day by day: the window first, then the lamp, whose light no row of the table has yet."""
    table = desk / "standards.csv"
    assert run(["standards", "match", str(desk / "window"), "--table", str(table)]) == 0
    assert run(["standards", "match", str(desk / "cool-led"), "--light", "cool-led", "--table", str(table)]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert "H03    cool-led     cool-led/IMG_0005.jpg\n" in said.out
    assert "still to take" not in said.out
    rows = rows_of(table)
    assert {(r["standard"], r["light"], r["photo"]) for r in rows} == {
        (standard, light, f"{light}/IMG_{n:04}.jpg") for n, (standard, light, _) in enumerate(SHOWN)}
    known = {r["standard"]: r for r in rows_of(samples / "standards" / "standards.csv")}
    assert all(r[c] == known[r["standard"]][c] for r in some(rows) for c in r if c not in ("photo", "light"))
    assert run(["calibrate", str(table), "--profile", str(samples / "card-run-007.txt"), "--batch", "demo-24",
                "-o", str(desk / "chart.json")]) == 0


def test_a_photograph_without_exactly_one_label_is_skipped(desk: Path, samples: Path,
                                                    capsys: pytest.CaptureFixture[str]) -> None:
    """No label; two bottles' labels; a text named like a photograph. The others are matched, elsewhere too."""
    bare, both = desk / "window" / "bare.jpg", desk / "window" / "both.jpg"
    shutil.copy(samples / "standards" / "H09-window.jpg", bare)
    labelled(samples / "standards" / "H01-window.jpg", both, (Label("H01", "demo-24"), PLACE, 0),
             (Label("H02", "demo-24"), (980, 105), 0))
    before = (desk / "standards.csv").read_bytes()
    out = desk / "tables" / "matched.csv"
    table = str(desk / "standards.csv")
    args = ["standards", "match", str(desk / "window"), "--table", table, "-o", str(out), "--json"]
    (desk / "window" / "IMG_0000.jpg").unlink()
    assert run(args) == 1
    said = capsys.readouterr()
    output = json.loads(said.out)
    assert [Path(left["photo"]).name for left in output["left_out"]] == ["bare.jpg", "both.jpg"]
    assert f"{bare}: no label was found" in said.err
    assert f"{both}: labels of several standards" in said.err
    assert output["to_take"] == [{"standard": "H01", "light": "window"}]
    assert [r["photo"] for r in rows_of(out) if r["standard"] == "H03"] == ["../window/IMG_0001.jpg"]
    assert (desk / "standards.csv").read_bytes() == before
    note = desk / "window" / "note.jpg"
    note.write_text("no photograph")
    assert run(["standards", "match", str(note), "--table", table]) == 2
    assert "note.jpg: this is not a photograph" in capsys.readouterr().err


@pytest.mark.parametrize(("standard", "batch", "folder", "said"), [
    ("H02", "demo-24", "window",
     "the photographs show labels of standards that are not in the table; found H02; allowed: H01, H03"),
    ("H01", "other", "window", "labels of several batches; found demo-24, other"),
    ("H01", "demo-24", "tuesday", "the light of the photograph is unknown; found folder tuesday; allowed: a f"),
], ids=["unknown standard", "another batch", "no light"])
def test_what_does_not_belong_stops_everything(desk: Path, samples: Path, capsys: pytest.CaptureFixture[str], *,
                                               standard: str, batch: str, folder: str, said: str) -> None:
    labelled(samples / "standards" / "H10-window.jpg", desk / folder / "IMG_0099.jpg",
             (Label(standard, batch), PLACE, 0))
    before = (desk / "standards.csv").read_bytes()
    args = ["standards", "match", str(desk / "window" / "IMG_0000.jpg"), str(desk / folder / "IMG_0099.jpg")]
    assert run([*args, "--table", str(desk / "standards.csv")]) == 2
    assert said in capsys.readouterr().err
    assert (desk / "standards.csv").read_bytes() == before

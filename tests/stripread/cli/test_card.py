import json
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from skimage.color import deltaE_ciede2000

from tests.stripread.cli.inside import stripread


def test_print_writes_a_sheet_and_states_what_to_measure(tmp_path: Path) -> None:
    out = tmp_path / "cards.pdf"
    done = stripread("card", "print", "--run", "9", "--sheet", "a4", "-o", out)
    assert (done.returncode, done.stderr) == (0, "")
    assert "markers 36 to 39" in done.stdout
    assert "50 mm" in done.stdout
    assert len(pypdfium2.PdfDocument(out)) == 1
    printed = json.loads(stripread("card", "print", "--run", "9", "-o", out, "--json").stdout)
    assert printed == {"file": str(out), "print_run": 9, "markers": [36, 37, 38, 39]}


def test_print_refuses_a_run_that_has_no_markers(tmp_path: Path) -> None:
    done = stripread("card", "print", "--run", "146", "-o", tmp_path / "card.pdf")
    assert done.returncode == 2
    assert "found 146; allowed: 0 to 145" in done.stderr
    assert not (tmp_path / "card.pdf").exists()


def test_profile_shows_how_a_print_run_differs_from_the_design(samples: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.txt"
    done = stripread("card", "characterise", samples / "card-run-007.txt", "-o", out)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("print run 7 of A6 bench card: passed. Median difference from the design")
    assert len(done.stdout.splitlines()) <= 5
    table = stripread("card", "characterise", out, "--details").stdout
    assert table.startswith(done.stdout.splitlines()[0])
    assert sum(" grey" in line for line in table.splitlines()) > 2
    printed = json.loads(stripread("card", "characterise", out, "--json").stdout)
    assert printed["print_run"] == 7
    assert printed["spectra"]
    assert len(printed["patches"]) == 42
    first = printed["patches"][0]
    assert (first["id"], first["colour"], first["standard_error"]) == ("A0", "grey1", None)
    assert first["lab"] == [90.17, -0.12, 0.29]
    apart = deltaE_ciede2000(np.array(first["lab"]), np.array(first["design"]))  # type: ignore[no-untyped-call]
    assert first["delta_e"] == pytest.approx(float(apart), abs=0.01)


def test_profile_of_other_patches_or_half_an_answer_is_refused(samples: Path, tmp_path: Path) -> None:
    lines = (samples / "card-run-007.txt").read_text().splitlines()
    without = [line.replace("NUMBER_OF_SETS 42", "NUMBER_OF_SETS 41") for line in lines if not line.startswith("A4\t")]
    (tmp_path / "cut.txt").write_text("\n".join(without) + "\n")
    photo = samples / "standards" / "H01-window.jpg"
    copies = [tmp_path / f"{i}.jpg" for i in range(3)]
    for i, copy in enumerate(copies):
        copy.write_bytes(photo.read_bytes() + bytes(i))
    reference = ("--reference", samples / "card-run-007.txt")
    shown = [part for copy in copies for part in ("--photo", copy)]
    for args, message in (
        ((tmp_path / "cut.txt",), "lacks patches of the card"),
        ((), "give one measurement, or photographs with their reference"),
        (("--photo", photo), "give one measurement, or photographs with their reference"),
        ((*shown, *reference, "--run", "8"), "no card of print run 8"),
        ((*shown, *reference, "--run", "200"), "no such print run"),
        (("--photo", photo, *reference, "--run", "8"), "too few photographs"),
    ):
        done = stripread("card", "characterise", *args, "-o", tmp_path / "never.txt")
        assert done.returncode == 2, args
        assert message in done.stderr
    assert not (tmp_path / "never.txt").exists()


def test_check_reports_whether_a_card_is_usable(samples: Path) -> None:
    profile = samples / "card-run-007.txt"
    good = stripread("card", "check", samples / "sites" / "mill-yard.jpg", "--profile", profile)
    assert (good.returncode, good.stderr) == (0, "")
    assert good.stdout.startswith("mill-yard.jpg, print run 7: good\n")
    blind = stripread("card", "check", samples / "faults" / "overexposed.jpg", "--profile", profile, "--json")
    assert blind.returncode == 1
    assert json.loads(blind.stdout)["verdict"] == "look again"

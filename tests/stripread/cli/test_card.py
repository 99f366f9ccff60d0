import json
import subprocess
import sys
from pathlib import Path

import pypdfium2


def stripread(*args: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", "from stripread.cli.main import main; main()", *args],
                          capture_output=True, text=True, check=False, timeout=60)


def test_print_writes_a_sheet_and_says_what_to_measure(tmp_path: Path) -> None:
    out = tmp_path / "cards.pdf"
    done = stripread("card", "print", "--run", "9", "--sheet", "a4", "-o", out)
    assert (done.returncode, done.stderr) == (0, "")
    assert "markers 36 to 39" in done.stdout
    assert "50 mm" in done.stdout
    assert len(pypdfium2.PdfDocument(out)) == 1
    told = json.loads(stripread("card", "print", "--run", "9", "-o", out, "--json").stdout)
    assert told == {"file": str(out), "print_run": 9, "markers": [36, 37, 38, 39]}


def test_print_refuses_a_run_that_has_no_markers(tmp_path: Path) -> None:
    done = stripread("card", "print", "--run", "146", "-o", tmp_path / "card.pdf")
    assert done.returncode == 2
    assert "found 146; allowed: 0 to 145" in done.stderr
    assert not (tmp_path / "card.pdf").exists()

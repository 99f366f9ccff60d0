"""Progress is shown on a terminal, after a while, on standard error, and nowhere else."""

from __future__ import annotations

import sys

import pytest

from stripread.cli import output


@pytest.mark.parametrize(("terminal", "patience", "shown"), [(True, 0.0, True), (True, 60.0, False),
                                                             (False, 0.0, False)])
def test_progress(*, terminal: bool, patience: float, shown: bool, monkeypatch: pytest.MonkeyPatch,
                  capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(output, "PATIENCE_S", patience)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal)
    done = []
    for item in output.with_progress("abcd", "Working"):
        sys.stdout.write(f"{item}\n")
        done.append(item)
    out, err = capsys.readouterr()
    assert done == ["a", "b", "c", "d"]
    assert out.split() == done
    assert ("Working" in err) == shown

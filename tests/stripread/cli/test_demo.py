"""``stripread demo``; that it runs to its end is held by the test of README's commands."""

from __future__ import annotations

from pathlib import Path

import pytest

from stripread.cli.main import run


def test_without_the_samples_it_says_where_they_are(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["demo"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "--samples" in err
    assert not list(tmp_path.iterdir())

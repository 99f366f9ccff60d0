"""What is shown on a terminal does not steer it."""

from __future__ import annotations

import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stripread.cli import output
from stripread.cli.output import visible


def test_sequences_that_a_terminal_obeys_are_seen() -> None:
    """CSI as in ECMA-48, 5.4, in seven and in eight bits; OSC of xterm; a line written over; text turned around."""
    for steering in ("\x1b[2J", "\x9b2J", "\x1b]0;title\x07", "all well\rwrong", "abc\u202egpj.exe", "\udcff"):
        shown = visible(steering)
        assert "\N{REPLACEMENT CHARACTER}" in shown
        assert not {unicodedata.category(c) for c in shown} & {"Cc", "Cf", "Cs"}


@given(st.text(st.characters(categories=("L", "M", "N", "P", "S", "Zs"))))
def test_manual_entries_are_retained(text: str) -> None:
    assert visible(f"{text}\r\n\t{text}\n") == f"{text}\r\n\t{text}\n"


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

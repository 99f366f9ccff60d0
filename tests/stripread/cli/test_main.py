"""The frame of the command line: quick to start, one message for each error, never a traceback."""

from __future__ import annotations

import errno
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from shared.errors import FileError
from stripread.cli.commands import LazyGroup
from stripread.cli.main import COMMANDS, cli, run
from stripread.cli.output import table_format

#: Modules that cost time to import and that the overview must not need.
HEAVY = {"numpy", "cv2", "PIL", "msgspec", "jinja2", "rich", "pint", "reportlab"}


def test_overview_imports_nothing_heavy() -> None:
    code = ("import sys; from stripread.cli.main import run; run(['--help']); "
            "print('imported:', *{m.partition('.')[0] for m in sys.modules})")
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert not HEAVY & set(done.stdout.partition("imported:")[2].split())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([name, "--help"]) == 0
    assert "Usage: stripread" in capsys.readouterr().out


@pytest.mark.parametrize("args", [
    ["no-such-command"], ["read"], ["read", "--no-such-option"],
    ["read", "a.jpg", "--chart", "chart.json", "--machine", "two-boiler-espresso"]])
def test_wrong_use_is_exit_2(args: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(args) == 2
    assert "Error:" in capsys.readouterr().err


@pytest.mark.parametrize(("args", "says"), [
    (["chart", "release", "2026-A", "--until", "2030-01-01", "--why", ""],
     "'--why': the reason is empty; give a reason"),
    (["chart", "withdraw", "2026-A", "--why", " "], "'--why': the reason is empty; give a reason"),
    (["card", "print", "--run", "1", "-o", "x.txt"], "--output must end in .pdf, found x.txt"),
    (["readings", "list", "--since", "2026-13-01"],
     "'--since': '2026-13-01' is not a date; write it like 2031-05-02")])
def test_an_invalid_option_is_named_with_what_is_accepted(
        args: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(args) == 2
    assert says in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize(("form", "output", "found"), [
    (None, "x.parquet", "parquet"), (None, "x.jsonl", "json"), (None, "x.txt", "csv"), (None, None, "csv"),
    ("json", "x.txt", "json")])
def test_the_format_of_a_table_follows_its_extension(form: str | None, output: str | None, found: str) -> None:
    assert table_format(form, Path(output) if output else None) == found
    with pytest.raises(click.UsageError, match="contradicts the extension"):
        table_format("csv", Path("x.parquet"))


def failing(error: BaseException) -> Callable[[], None]:
    def fail() -> None:
        raise error
    return fail


def run_failing(error: BaseException, monkeypatch: pytest.MonkeyPatch) -> int:
    """The exit status of a command that ends in ``error``."""
    monkeypatch.setitem(cli.commands, "fail", click.Command("fail", callback=failing(error)))
    monkeypatch.setattr(LazyGroup, "get_command", lambda self, _ctx, name: self.commands.get(name))
    return run(["fail"])


@pytest.mark.parametrize(("words", "near"), [
    (["raed", "a.jpg"], "read"), (["readings", "lsit"], "list"), (["chart", "realease"], "release"),
    (["review", "acept"], "accept"), (["card", "pint"], "print")])
def test_a_mistyped_command_is_answered_with_the_nearest(
        words: list[str], near: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(words) == 2
    assert f"Did you mean '{near}'?" in capsys.readouterr().err


def test_input_error_is_its_message_and_exit_2(
        monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    error = FileError("bends", where="a.txt:3", found="a knee", allowed="a curve", remedy="straighten it")
    assert run_failing(error, monkeypatch) == 2
    assert capsys.readouterr().err == "stripread: a.txt:3: bends; found a knee; allowed: a curve; straighten it\n"


def test_file_system_error_names_the_file(
        monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_failing(PermissionError(13, "Permission denied", "out.json"), monkeypatch) == 2
    assert capsys.readouterr().err == "stripread: out.json: Permission denied\n"


def test_a_reader_that_leaves_is_no_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    """As in `stripread read ... | head`: neither a message nor the status that means "refused"."""
    assert run_failing(BrokenPipeError(errno.EPIPE, "Broken pipe"), monkeypatch) == 141


def test_interruption_is_exit_130(monkeypatch: pytest.MonkeyPatch) -> None:
    assert run_failing(KeyboardInterrupt(), monkeypatch) == 130


def test_a_fault_of_the_program_is_owned_without_traceback(
        monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.delenv("STRIPREAD_DEBUG", raising=False)
    assert run_failing(ZeroDivisionError("division by zero"), monkeypatch) == 2
    message = capsys.readouterr().err
    assert "internal error" in message
    assert "STRIPREAD_DEBUG=1" in message
    assert "Traceback" not in message


def test_debug_shows_the_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STRIPREAD_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        run_failing(ZeroDivisionError(), monkeypatch)

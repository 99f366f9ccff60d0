"""Help of every command: an imperative first, worked examples last, plain words, within the terminal's width."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator

import click
import pytest

from shared.flags import FLAGS
from stripread.cli.commands import CommandGroup, ExampleCommand, first_line
from stripread.cli.main import COMMANDS, cli, run
from tests.test_language import PATTERN

Capture = pytest.CaptureFixture[str]
Path = tuple[str, ...]
#: First words of help.
VERBS = {
    "Accept", "Amend", "Assign", "Assess", "Back", "Calibrate", "Change", "Characterise", "Check", "Compare", "Correct",
    "Count", "Create", "Deactivate", "Decide", "Diagnose", "End", "Erase", "Evaluate", "Export", "Fit", "Import",
    "Issue", "List", "Locate", "Manage", "Match", "Measure", "Move", "Plan", "Prepare", "Print", "Prove", "Purge",
    "Re-evaluate", "Reactivate", "Record", "Register", "Reject", "Release", "Restore", "Run", "Set", "Show", "Store",
    "Take", "Test", "Verify", "Withdraw", "Write",
}
#: Words of a status or a command that have another name now.
EARLIER = re.compile(r"\b(?:refused|undecided|let-go)\b")


def walk(command: click.Command = cli, path: Path = ()) -> Iterator[tuple[Path, click.Command]]:
    """Yield every group and command with its words."""
    yield path, command
    if isinstance(command, CommandGroup):
        with click.Context(command) as context:
            names = command.list_commands(context)
            for name in names:
                member = command.get_command(context, name)
                assert member is not None
                yield from walk(member, (*path, name))


ALL = list(walk())
each_command = pytest.mark.parametrize(("path", "command"), ALL, ids=[" ".join(path) or "stripread" for path, _ in ALL])


def shown(path: Path, capsys: Capture) -> str:
    """Return the help that a person sees."""
    assert run([*path, "--help"]) == 0
    return capsys.readouterr().out


def test_there_are_many_commands() -> None:
    assert len(ALL) > 80
    assert {path[0] for path, _ in ALL if path} == set(COMMANDS)


@each_command
def test_help_is_an_imperative_with_examples_in_plain_words(
        path: Path, command: click.Command, capsys: Capture) -> None:
    text = shown(path, capsys)
    assert first_line(command).split()[0].rstrip(",:") in VERBS
    assert first_line(command).endswith(".")
    assert re.search(r"^Examples:\n(  .+\n)+\Z", text, re.MULTILINE)
    plain = " ".join(text.split()).lower()
    assert PATTERN.findall(plain) + EARLIER.findall(plain) == []


@pytest.mark.parametrize("path", [path for path, _ in ALL], ids=" ".join)
@pytest.mark.parametrize("columns", [60, 80, 120])
def test_help_fits_the_terminal(path: Path, columns: int, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    assert [line for line in shown(path, capsys).splitlines() if len(line) > columns] == []


@each_command
def test_examples_use_commands_and_options_that_exist(path: Path, command: click.Command) -> None:
    assert isinstance(command, ExampleCommand)
    assert 1 <= len(command.examples) <= 3
    lines = [part for example in command.examples for part in example.split("|") if not part.startswith("eval ")]
    assert any(" ".join(("stripread", *path)) in line for line in lines)
    for line in lines:
        words = shlex.split(line.partition(" > ")[0])
        assert words[0] == "stripread"
        _parse(cli, words[1:])


def _parse(command: click.Command, words: list[str]) -> None:
    """Parse a command line without running it. Fails for an unknown command, option or choice."""
    context = click.Context(command, help_option_names=["-h", "--help"])
    if isinstance(command, click.Group):
        member = command.get_command(context, words[0])
        assert member is not None, words
        _parse(member, words[1:])
    else:
        _values, rest, _order = command.make_parser(context).parse_args(words)
        assert not [word for word in rest if word.startswith("--")]


def test_the_overview_has_the_first_line_of_each_command() -> None:
    for path, command in ALL:
        if len(path) == 1:
            assert COMMANDS[path[0]] == first_line(command)


def test_completion_is_documented_and_works(monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    assert "_STRIPREAD_COMPLETE=bash_source" in shown((), capsys)
    monkeypatch.setenv("_STRIPREAD_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", "stripread readings li")
    monkeypatch.setenv("COMP_CWORD", "2")
    assert run([]) == 0
    assert capsys.readouterr().out == "plain,list\n"


@pytest.mark.parametrize("columns", [60, 80, 120])
def test_pages_of_the_manual_are_listed_and_shown(columns: int, monkeypatch: pytest.MonkeyPatch, capsys: Capture
                                                  ) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    assert run(["help"]) == 0
    topics = [line.split()[0] for line in capsys.readouterr().out.splitlines()]
    assert "glossary" in topics
    for topic in topics:
        assert run(["help", topic]) == 0
        assert capsys.readouterr().out.startswith("# ")
    assert run(["help", "glare"]) == 0
    assert FLAGS["glare"].action in " ".join(capsys.readouterr().out.split())
    assert run(["help", "nothing"]) == 2
    assert "there is no such page or flag; found nothing; allowed: administrator, analyst" in " ".join(
        capsys.readouterr().err.split())

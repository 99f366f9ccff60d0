"""``stripread standards``: prepare standard solutions, and label them."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from itertools import groupby
from pathlib import Path

import click

from calibration.plan.chemistry import chemistry
from calibration.plan.prepare import Preparation, prepare
from calibration.plan.remarks import remarks
from calibration.plan.solution import Value
from calibration.plan.tables import aliquots_table, standards_table, written
from calibration.plan.told import told
from shared.analytes import ANALYTES
from shared.errors import FileError
from shared.files import write_whole
from shared.strip import StripType, default_strip, read_strip
from stripread.cli.lazy import SuggestingGroup
from stripread.cli.main import echo
from stripread.cli.standards_match import match

_plan_argument = click.argument("plan", type=click.Path(path_type=Path))
_json_option = click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")


@click.group(cls=SuggestingGroup)
def standards() -> None:
    """Standard solutions: what to weigh and mix, what it gives, labels to print, photographs matched by them."""


standards.add_command(match)


@standards.command("example")
def example() -> None:
    """Print a plan of an invented laboratory, to save, change and give to `stripread standards plan`."""
    click.echo(files("calibration").joinpath("data/standards-plan.toml").read_text("utf-8"), nl=False)


@standards.command("plan")
@_plan_argument
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="DIR",
              help="Write sheet.html, labels.html, aliquots.csv and standards.csv there.")
@click.option("--overwrite", is_flag=True, help="Replace the standards.csv that is there, whatever was filled in.")
@click.option("--strip", type=click.Path(path_type=Path), help="Strip type (JSON), if not the default strip.")
@_json_option
def plan_(plan: Path, output: Path | None, *, overwrite: bool, strip: Path | None, as_json: bool) -> None:
    """From PLAN (TOML: what is at hand, which levels are wanted) to masses, aliquots, values and labels.

    Run it again when something was weighed, titrated or measured and is in the plan: the values go by that.
    `stripread standards example` prints a plan to start from.
    """
    made = prepare(plan)
    paths = _write(made, output, strip=read_strip(strip) if strip else default_strip(), overwrite=overwrite)
    if as_json:
        _echo_json({**told(made), "files": [str(p) for p in paths]})
    else:
        echo("\n".join((*_lines(made), *(f"written: {path}" for path in paths))))


@standards.command("labels")
@_plan_argument
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="The page of labels to write.")
@_json_option
def labels(plan: Path, output: Path, *, as_json: bool) -> None:
    """Write the labels of PLAN's solutions and stocks, with codes that photographs are recognised by."""
    from stripread.report.standards import write_labels

    made = prepare(plan)
    write_labels(output, made)
    if as_json:
        _echo_json({"file": str(output), "solutions": [s.id for s in made.solutions]})
    else:
        echo(f"{output}: {len(made.solutions)} solutions, {len(made.shelf.stocks)} stocks. Print at 100 %.")


def _write(made: Preparation, output: Path | None, *, strip: StripType, overwrite: bool) -> list[Path]:
    """The four files; none where no folder is named."""
    if output is None:
        return []
    from stripread.report.standards import write_labels, write_sheet

    table = output / "standards.csv"
    text = standards_table(made, strip)
    if table.exists() and not overwrite and table.read_bytes() != text.encode():
        raise FileError("a standards table is there already and says something else", where=str(table),
                        remedy="it may hold your photographs: write to another folder and bring over the values, or "
                               "replace it with --overwrite")
    write_sheet(output / "sheet.html", made)
    write_labels(output / "labels.html", made)
    write_whole(output / "aliquots.csv", aliquots_table(made).encode())
    write_whole(table, text.encode())
    return [output / name for name in ("sheet.html", "labels.html", "aliquots.csv", "standards.csv")]


def _lines(made: Preparation) -> Iterator[str]:
    """A line a solution and its values, then what to mind."""
    for family, solutions in groupby(made.solutions, key=lambda s: s.family):
        yield f"{family}; in brackets standard uncertainties"
        yield from (f"  {s.id}  {', '.join(map(_value, s.values))}" for s in solutions)
    for remark in remarks(made, chemistry(made.solutions, made.plan.temperature_c)):
        yield f"! {remark.sentence}"


def _value(value: Value) -> str:
    number, u = written(*value.certified) if value.certified else ("?", "?")
    unit = "" if value.analyte == "ph" else f" {value.unit}"
    return f"{ANALYTES[value.analyte].name} {number} ({u}){unit}"


def _echo_json(content: object) -> None:
    import msgspec

    echo(msgspec.json.encode(content))

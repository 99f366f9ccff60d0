"""``stripread standards``: standard solutions planned, labelled and matched with photographs."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from itertools import groupby
from pathlib import Path

import click

from calibration.standards_plan.chemistry import chemistry
from calibration.standards_plan.export import aliquots_table, plan_json, standards_table, written
from calibration.standards_plan.prepare import Preparation, prepare
from calibration.standards_plan.solution import Value
from calibration.standards_plan.warnings import remarks
from shared.analytes import ANALYTES
from shared.errors import FileError
from shared.files import write_whole
from shared.strip import StripType, default_strip, read_strip
from stripread.cli.commands import CommandGroup
from stripread.cli.options import FILE, json_option
from stripread.cli.output import echo
from stripread.cli.standards_match import match

_plan_argument = click.argument("plan", type=click.Path(path_type=Path))


@click.group(cls=CommandGroup, examples=("stripread standards template > plan.toml",))
def standards() -> None:
    """Prepare, label and photograph standard solutions."""


@standards.command(examples=("stripread standards template > plan.toml",))
def template() -> None:
    """Print the plan of a fictitious laboratory as a template for `stripread standards plan`."""
    click.echo(files("calibration").joinpath("data/standards-plan.toml").read_text("utf-8"), nl=False)


@standards.command("plan", examples=("stripread standards plan plan.toml -o batch-2026-A",))
@_plan_argument
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FOLDER",
              help="Folder for sheet.html, labels.html, aliquots.csv and standards.csv [default: none].")
@click.option("--overwrite", is_flag=True, help="Replacement of an existing standards.csv; its entries are lost.")
@click.option("--strip", type=click.Path(path_type=Path), metavar="FILE.json",
              help="Strip type [default: the supplied type].")
@json_option
def plan_(plan: Path, output: Path | None, *, overwrite: bool, strip: Path | None, as_json: bool) -> None:
    """Plan standard solutions: masses, aliquots, reference values with uncertainty, labels.

    PLAN (TOML) states the available chemicals and the required levels; `stripread standards template` prints one. Run
    the command again once weighed, titrated or measured values are in the plan: the reference values follow them.
    """
    made = prepare(plan)
    paths = _write(made, output, strip=read_strip(strip) if strip else default_strip(), overwrite=overwrite)
    if as_json:
        _echo_json({**plan_json(made), "files": [str(p) for p in paths]})
    else:
        echo("\n".join((*_lines(made), *(f"written: {path}" for path in paths))))


@standards.command("labels", examples=("stripread standards labels plan.toml -o labels.html",))
@_plan_argument
@click.option("-o", "--output", required=True, type=FILE, metavar="FILE.html",
              help="Page of labels to write.")
@json_option
def labels(plan: Path, output: Path, *, as_json: bool) -> None:
    """Write labels for the solutions and stocks of PLAN, with codes that identify photographs."""
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
        raise FileError("the folder contains a standards table that differs", where=str(table),
                        remedy="it may name your photographs: write to another folder and transfer the values, or "
                               "replace it with --overwrite")
    write_sheet(output / "sheet.html", made)
    write_labels(output / "labels.html", made)
    write_whole(output / "aliquots.csv", aliquots_table(made).encode())
    write_whole(table, text.encode())
    return [output / name for name in ("sheet.html", "labels.html", "aliquots.csv", "standards.csv")]


def _lines(made: Preparation) -> Iterator[str]:
    """A line a solution and its values, then what to mind."""
    for family, solutions in groupby(made.solutions, key=lambda s: s.family):
        yield f"{family}; standard uncertainties in parentheses"
        yield from (f"  {s.id}  {', '.join(map(_value, s.values))}" for s in solutions)
    for remark in remarks(made, chemistry(made.solutions, made.plan.temperature_c)):
        yield f"! {remark.sentence}"


def _value(value: Value) -> str:
    name = ANALYTES[value.analyte].name
    if value.certified is None:
        return f"{name} unknown"
    number, u = written(*value.certified)
    return f"{name} {number} ({u}){'' if value.analyte == 'ph' else f' {value.unit}'}"


def _echo_json(content: object) -> None:
    import msgspec

    echo(msgspec.json.encode(content))


standards.add_command(match)

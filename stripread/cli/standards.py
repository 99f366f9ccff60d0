"""``stripread standards``: standard solutions planned, labelled and matched with photographs."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from itertools import groupby
from pathlib import Path

import click

from calibration.labels import Label, LabelledPhotograph, Row, matched
from calibration.standards import read_cells
from calibration.standards_plan.export import aliquots_table, plan_json, standards_table, written
from calibration.standards_plan.instructions import remarks
from calibration.standards_plan.preparation import Preparation, Value, chemistry, prepare
from shared.analytes import ANALYTES
from shared.errors import FileError, MismatchError, PhotoError
from shared.files import write_whole
from shared.strip import StripType, default_strip, read_strip
from shared.tables import csv_text
from shared.text import many
from stripread.cli.commands import CommandGroup, ExampleCommand
from stripread.cli.options import FILE, json_option
from stripread.cli.output import DONE, NO_RESULT, WRONG, echo, echo_error, with_progress
from stripread.reading.label import labels_in
from stripread.reading.photo import WHOLE_PX
from stripread.reading.photo_file import load_photo

_NO_LABEL = "no label was found; place it flat, complete and in focus, or enter the photograph in the table manually"
_MANY = "labels of several standards; photograph one only, or enter the photograph in the table manually"


@click.command(cls=ExampleCommand, examples=("stripread standards match photos/* --table standards.csv",))
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--table", required=True, type=click.Path(path_type=Path), metavar="STANDARDS.csv",
              help="Standards table, as written by `stripread standards plan`.")
@click.option("-o", "--output", type=FILE, metavar="FILE.csv", help="Table to write [default: that of --table].")
@click.option("--light", metavar="LIGHT", help="Light of all photographs [default: the name of their folder].")
@click.option("--strip", type=click.Path(path_type=Path), metavar="FILE.json",
              help="Strip type [default: the supplied type].")
@json_option
def match(photos: tuple[Path, ...], table: Path, *, output: Path | None, light: str | None, strip: Path | None,
          as_json: bool) -> int:
    """Match photographs with standards by their labels and enter them in the standards table.

    PHOTOS are files or folders. Rows whose photograph exists are unchanged. A row without a photograph gets the first
    photograph of its standard under its light; further photographs get additional rows. Run the command again for
    more photographs. Photographs without a readable label are reported and skipped (exit status 1); if a label does
    not belong to the table, nothing is written (exit status 2).
    """
    from stripread.cli.inputs import local_photos

    desk = _Desk(table, output or table, read_strip(strip) if strip else default_strip())
    rows = desk.rows()
    lights = {path: light or _folder(path, rows) for path in _once(list(local_photos(photos)))}
    looks = [_look(path) for path in with_progress(list(lights), "Looking for labels")]
    found = [LabelledPhotograph(desk.name(look.path), look.label, lights[look.path], look.picture)
             for look in looks if look.label is not None]
    filled = matched(rows, found, there=desk.there(rows))
    if found:
        write_whole(desk.written, csv_text([list(rows[0]), *(list(r.values()) for r in filled)]).encode())
    for look in looks:
        if look.why:
            echo_error(look.why)
    to_take = [row for row in filled if row["photo"] not in desk.there(filled)]
    echo(_as_json(desk, found, looks, to_take) if as_json else "\n".join(_match_lines(desk, found, to_take)))
    return max(look.status for look in looks)


@dataclass(frozen=True, slots=True)
class _Desk:
    """The table that is read and the one to write, which names photographs relative to its own folder."""

    table: Path
    written: Path
    strip: StripType

    def rows(self) -> list[Row]:
        cells = read_cells(self.table, {p.analyte: p.unit for p in self.strip.pads})
        return [{**c.written, "photo": self.name(self.table.parent / c.written["photo"])} for c in cells]

    def name(self, photo: Path) -> str:
        return Path(os.path.relpath(photo, self.written.parent)).as_posix()

    def there(self, rows: Sequence[Row]) -> set[str]:
        return {row["photo"] for row in rows if (self.written.parent / row["photo"]).is_file()}


@dataclass(frozen=True, slots=True)
class _Look:
    """What a photograph shows: a label and the hash of the picture, or ``why`` it has none."""

    path: Path
    label: Label | None = None
    picture: str = ""
    why: str = ""
    status: int = DONE


def _look(path: Path) -> _Look:
    try:
        photo = load_photo(path)
        labels = labels_in(photo.pixels)
        if not labels and photo.shrink > 1:
            labels = labels_in(load_photo(path, WHOLE_PX).pixels)
    except PhotoError as error:
        return _Look(path, why=error.message, status=WRONG)
    if len(labels) != 1:
        why = f"{_MANY} ({', '.join(sorted(x.standard for x in labels))})" if labels else _NO_LABEL
        return _Look(path, why=f"{path}: {why}", status=NO_RESULT)
    return _Look(path, labels[0], photo.pixels_sha256())


def _once(paths: Sequence[Path]) -> list[Path]:
    """Each file once, though it was named and its folder too."""
    return list({path.resolve(): path for path in paths}.values())


def _folder(path: Path, rows: Sequence[Row]) -> str:
    """The light that the photograph's folder is named by."""
    lights = dict.fromkeys(row["light"] for row in rows if row["light"])
    name = path.absolute().parent.name
    if name not in lights:
        raise MismatchError("the light of the photograph is unknown", where=str(path), found=f"folder {name}",
                            allowed=f"a folder named after a light of the table: {', '.join(lights) or 'it has none'}",
                            remedy="sort the photographs into such folders, or give --light")
    return name


def _match_lines(desk: _Desk, found: Sequence[LabelledPhotograph], to_take: Sequence[Row]) -> Iterator[str]:
    yield from (f"{f.label.standard:6} {f.light:12} {f.photo}" for f in found)
    if to_take:
        yield f"missing photographs: {', '.join(' '.join(filter(None, _place(row))) for row in to_take)}"
    if found:
        yield (f"written: {desk.written}: {many(len(found), 'photograph')} of "
               f"{many(len({f.label for f in found}), 'standard')}")


def _place(row: Row) -> tuple[str, str]:
    return row["standard"], row["light"]


def _as_json(desk: _Desk, found: Sequence[LabelledPhotograph], looks: Sequence[_Look], to_take: Sequence[Row]) -> bytes:
    import msgspec

    return msgspec.json.encode({
        "file": str(desk.written) if found else None,
        "matched": [{"photo": f.photo, "standard": f.label.standard, "light": f.light} for f in found],
        "left_out": [{"photo": str(look.path), "why": look.why} for look in looks if look.why],
        "to_take": [dict(zip(("standard", "light"), _place(row), strict=True)) for row in to_take]})


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
@click.option("--overwrite", is_flag=True, help="Replace an existing standards.csv; its entries are lost.")
@click.option("--strip", type=click.Path(path_type=Path), metavar="FILE.json",
              help="Strip type [default: the supplied type].")
@json_option
def plan_(plan: Path, output: Path | None, *, overwrite: bool, strip: Path | None, as_json: bool) -> None:
    """Plan standard solutions: masses, aliquots, reference values with uncertainty, labels.

    PLAN (TOML) states the available chemicals and the required levels; `stripread standards template` prints one. Run
    the command again with --overwrite once weighed, titrated or measured values are in the plan, before photographs are
    matched: the reference values follow them.
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


def _write(preparation: Preparation, output: Path | None, *, strip: StripType, overwrite: bool) -> list[Path]:
    """The four files; none where no folder is named."""
    if output is None:
        return []
    from stripread.report.standards import write_labels, write_sheet

    table = output / "standards.csv"
    text = standards_table(preparation, strip)
    if table.exists() and not overwrite and table.read_bytes() != text.encode():
        raise FileError("the folder contains a standards table that differs", where=str(table),
                        remedy="the table may list your photographs: write to another folder and transfer the values, "
                               "or replace it with --overwrite")
    write_sheet(output / "sheet.html", preparation)
    write_labels(output / "labels.html", preparation)
    write_whole(output / "aliquots.csv", aliquots_table(preparation).encode())
    write_whole(table, text.encode())
    return [output / name for name in ("sheet.html", "labels.html", "aliquots.csv", "standards.csv")]


def _lines(preparation: Preparation) -> Iterator[str]:
    """A line a solution and its values, then what to mind."""
    for family, solutions in groupby(preparation.solutions, key=lambda s: s.family):
        yield f"{family}; standard uncertainties in parentheses"
        yield from (f"  {s.id}  {', '.join(map(_value, s.values))}" for s in solutions)
    for remark in remarks(preparation, chemistry(preparation.solutions, preparation.plan.temperature_c)):
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

"""Tables as spreadsheet programs save them: every variant gives the same cells (RFC 4180 for quotes)."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from calibration.standards import read_cells
from shared.errors import FileError
from shared.strip import default_strip
from shared.tables import csv_lines, read_table
from stripread.exchange.csv_reader import read_csv_table

ROWS = [["run", "standard", "hardness [mg/L CaCO3]", "ph"], ["1 März, früh", "C01", "60.5", "7.25"],
        ['2 "spät"', "C02", "<5", "-0.5"]]
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252")


def written(separator: str, decimal: str) -> str:
    """The rows with every cell quoted that needs it."""
    def cell(text: str) -> str:
        number = text.lstrip("<-").replace(".", "").isdigit()
        text = text.replace(".", decimal) if number else text
        return f'"{text.replace(chr(34), 2 * chr(34))}"' if set(text) & {separator, '"'} else text
    return "\r\n".join(separator.join(map(cell, row)) for row in ROWS) + "\r\n"


@pytest.mark.parametrize(("encoding", "separator", "decimal"), [
    (e, s, d) for e, s, d in itertools.product(ENCODINGS, ",;\t", ".,") if (s, d) != (",", ",")])
def test_each_variant_gives_the_same_cells(tmp_path: Path, encoding: str, separator: str, decimal: str) -> None:
    table = tmp_path / "t.csv"
    table.write_bytes(written(separator, decimal).encode(encoding))
    assert [cells for _, cells in csv_lines(table)] == ROWS
    assert read_table(table, required=("run", "standard")).value(0, "ph") == 7.25
    assert read_csv_table(table).rows[0].cells["run"] == "1 März, früh"


def test_a_line_that_names_the_separator_is_not_a_header(tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    table.write_text("sep=;\n" + written(";", ","))
    lines = csv_lines(table)
    assert [cells for _, cells in lines] == ROWS
    assert [n for n, _ in lines] == [2, 3, 4], "lines of the file"


def test_the_samples_standards_saved_by_a_spreadsheet_are_the_same(tmp_path: Path, samples: Path) -> None:
    plain = samples / "standards" / "standards.csv"
    units = {p.analyte: p.unit for p in default_strip().pads}
    saved = tmp_path / "standards.csv"
    saved.write_text(plain.read_text().replace(".jpg", "_jpg").replace(",", ";").replace(".", ",")
                     .replace("_jpg", ".jpg"), encoding="utf-16")
    assert [r.written for r in read_cells(saved, units)] == [r.written for r in read_cells(plain, units)]


@pytest.mark.parametrize(("data", "says"), [
    (b"a|b\n1|2\n", r"t.csv:1: the table has a single column; found 'a\|b' \(comma-separated, UTF-8\)"),
    ("a:b\n1:2\n".encode("utf-16"), r"single column.*UTF-16"),
    (b"PK\x03\x04rest of a workbook", "spreadsheet workbook.*save as CSV"),
    (b"a,b\n\x81,2\n", "cannot be decoded; found neither UTF-8, UTF-16 nor Windows-1252"),
    (b"a;b\n1,5;2.5\n", "t.csv:2: numbers have decimal commas and decimal points; found '1,5', and '2.5' in line 2"),
    (b"a;b\n", r"the table is empty; found semicolon-separated, UTF-8"), (b"", "empty")])
def test_what_cannot_be_read_names_separator_and_encoding(tmp_path: Path, data: bytes, says: str) -> None:
    table = tmp_path / "t.csv"
    table.write_bytes(data)
    with pytest.raises(FileError, match=says):
        csv_lines(table)

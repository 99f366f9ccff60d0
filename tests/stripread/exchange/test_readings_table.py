"""Tables of readings: their content, how other programs read them, and that formulas are escaped."""

from __future__ import annotations

import csv
import io
import json

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyarrow import parquet

from stripread.exchange.readings_table import (
    ReadingsTable,
    TableColumn,
    as_csv,
    as_json_lines,
    as_parquet,
    escape_formula,
    readings_table,
)
from stripread.store.reading_query import ReadingFilter
from tests.loops import some
from tests.stripread.store.histories import ACCOUNT
from tests.stripread.store.world import NAME, World


def rows_of(table: ReadingsTable) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(as_csv(table).decode(), newline="")))


def test_a_row_contains_the_values_of_the_record(world: World) -> None:
    table = readings_table(world.store, ReadingFilter(state=None))
    again, first = sorted(rows_of(table), key=lambda row: row["reading"])
    assert (again["reading"], first["superseded by"], again["review"], again["corrected"]) == (
        "again", "again", "rejected", "yes")
    assert (again["site"], again["point name"], again["account"]) == ("mill", "tap", ACCOUNT)
    # Value(90, u 2, u_chart 1) and Value(7.4, 0.1, 0.1): 1.959964 sqrt(u^2 + u_chart^2) either side.
    assert float(again["hardness [mg/L CaCO3]"]) == 90.0
    assert float(again["low(hardness) [mg/L CaCO3]"]) == pytest.approx(90.0 - 4.382613, abs=1e-4)
    assert float(again["high(ph) [pH]"]) == pytest.approx(7.4 + 0.277181, abs=1e-4)
    assert again["status(ph)"] == "measured"
    assert not any("chloride" in column for column in again)


def test_all_three_formats_contain_the_same_values(world: World) -> None:
    table = readings_table(world.store, ReadingFilter(state=None))
    read = parquet.read_table(io.BytesIO(as_parquet(table)))
    assert read.to_pylist() == [json.loads(line) for line in as_json_lines(table).splitlines()]
    assert read.schema.field("hardness [mg/L CaCO3]").type == pa.float64()
    for row, cells in zip(some(read.to_pylist()), rows_of(table), strict=True):
        for name, cell in some(row.items()):
            assert cells[name] == {None: "", True: "yes", False: "no"}.get(cell, str(cell))


def test_names_are_exported_only_on_request(world: World) -> None:
    assert NAME not in as_csv(readings_table(world.store, ReadingFilter())).decode()
    assert [row["person"] for row in rows_of(readings_table(world.store, ReadingFilter(), names=True))] == [NAME]


def test_an_empty_selection_gives_an_empty_table(world: World) -> None:
    table = readings_table(world.store, ReadingFilter(site="elsewhere"))
    assert rows_of(table) == []
    assert parquet.read_table(io.BytesIO(as_parquet(table))).num_rows == 0


@given(st.text())
def test_every_formula_is_escaped(text: str) -> None:
    """Signs that begin a formula: OWASP, CSV injection. Apart from the apostrophe, CSV readers get the text back."""
    (line,) = rows_of(ReadingsTable((TableColumn("note", str),), ((text.replace("\r", "").replace("\0", ""),),))) or [
        {"note": ""}
    ]
    assert not line["note"].lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r"))
    assert line["note"].removeprefix("'") == text.replace("\r", "").replace("\0", "").removeprefix("'")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-cmd", "@sum", "\t=1", "  =1", "＝1"])
def test_each_formula_sign_is_escaped(text: str) -> None:
    assert escape_formula(text) == f"'{text}"
    assert escape_formula("Mill Lane = east") == "Mill Lane = east"

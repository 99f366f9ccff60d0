"""The standards table: valid rows are taken unchanged, invalid ones give one message that names the place."""

from pathlib import Path

import pytest

from calibration.standards import CertifiedValue, read_standards
from shared.errors import FileError
from shared.strip import default_strip
from tests.loops import some

UNITS = {p.analyte: p.unit for p in default_strip().pads}
HEADER = "photo,standard,role,light,hardness [mg/L CaCO3],u(hardness) [mg/L CaCO3],ph,u(ph)"
GOOD = ("a.jpg,H01,standard,window,50,0.5,,", "b.jpg,P01,check,lamp,,,7.2,0.01")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("a.jpg", "b.jpg"):
        (tmp_path / name).write_bytes(b"a photograph")
    return tmp_path


def table(folder: Path, header: str, *rows: str) -> Path:
    path = folder / "standards.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def test_a_good_table(folder: Path) -> None:
    first, second = read_standards(table(folder, HEADER, *GOOD), UNITS)
    assert (first.photo, first.standard, first.role, first.light) == (folder / "a.jpg", "H01", "standard", "window")
    assert first.certified == {"hardness": CertifiedValue(50.0, 0.5)}
    assert second.certified == {"ph": CertifiedValue(7.2, 0.01)}


def test_spreadsheet_habits_change_nothing(folder: Path) -> None:
    """A byte-order mark, blanks about cells, columns in another order, an empty line at the end."""
    path = folder / "standards.csv"
    header = "\ufeffrole, light ,photo,standard,u(ph),ph [pH],u(hardness) [mg/L CaCO3],hardness [mg/L CaCO3]\n"
    path.write_text(header + "standard,window, a.jpg ,H01,,,0.5,50\ncheck,lamp,b.jpg,P01,0.01,7.2,,\n,,,,,,,\n",
                    encoding="utf-8")
    assert read_standards(path, UNITS) == read_standards(table(folder, HEADER, *GOOD), UNITS)


def test_the_samples_table(samples: Path) -> None:
    """28 solutions, each under two lights, and three checks (its README)."""
    rows = read_standards(samples / "standards" / "standards.csv", UNITS)
    standards = {r.standard for r in rows if r.role == "standard"}
    assert len(standards) == 28
    assert sum(r.role == "check" for r in rows) == 3
    assert {a for r in rows for a in r.certified} == set(UNITS)
    assert all(c.u > 0 for r in rows for c in r.certified.values())


@pytest.mark.parametrize("cells", ["0,0.5", "0,0", "0.1,0.2"], ids=["blank", "exact", "low"])
def test_a_blank_and_a_low_level_are_no_swapped_columns(folder: Path, cells: str) -> None:
    rows = (f"a.jpg,H01,standard,window,{cells},,", f"b.jpg,H02,standard,lamp,{cells},,")
    assert len(read_standards(table(folder, HEADER, *rows), UNITS)) == 2


#: What is wrong, the table, and what the message must name: line, what was found, what is allowed.
WRONG: dict[str, tuple[str, tuple[str, ...], tuple[str, ...]]] = {
    "a wrong unit": (HEADER.replace("hardness [mg/L CaCO3]", "hardness [mmol/L]", 1), GOOD,
                     (":1", "hardness [mmol/L]", "hardness [mg/L CaCO3]")),
    "no unit": (HEADER.replace("hardness [mg/L CaCO3]", "hardness", 1), GOOD, (":1", "hardness [mg/L CaCO3]")),
    "a wrong unit of u": (HEADER.replace("u(hardness) [mg/L CaCO3]", "u(hardness) [%]"), GOOD,
                          (":1", "found u(hardness) [%]; allowed: u(hardness) [mg/L CaCO3]")),
    "a missing column": ("photo,standard,role,hardness [mg/L CaCO3]", ("a.jpg,H01,standard,50",),
                         (":1", "no column light")),
    "an unknown column": (HEADER + ",iron [mg/L Fe]", GOOD, (":1", "iron [mg/L Fe]", "hardness")),
    "a column twice": (HEADER + ",ph", GOOD, (":1", "ph more than once")),
    "u without values": ("photo,standard,role,light,u(ph)", ("a.jpg,P01,standard,window,0.1",), (":1", "u(ph)")),
    "values without u": ("photo,standard,role,light,ph", ("a.jpg,P01,standard,window,7",), (":1", "ph alone", "u(ph)")),
    "a value without u": (HEADER, ("a.jpg,H01,standard,window,5,,,",), (":2", "column hardness", "only the value")),
    "u without a value": (HEADER, ("a.jpg,H01,standard,window,,0.5,,",), (":2", "column hardness", "only its")),
    "two contents": (HEADER, (GOOD[0], "b.jpg,H01,standard,lamp,55,0.5,,"),
                     (":3, column hardness", "H01 with 55", "line 2", "with 50")),
    "two roles": (HEADER, (GOOD[0], "b.jpg,H01,check,lamp,50,0.5,,"), (":3, column role", "check", "standard")),
    "a wrong number in one of two rows": (HEADER, (GOOD[0], "b.jpg,H01,standard,lamp,nan,0.5,,"),
                                          (":3, column hardness: is not a possible number", "found nan")),
    "a wrong role in one of two rows": (HEADER, (GOOD[0], "b.jpg,H01,chekc,lamp,50,0.5,,"),
                                        (":3", "an unknown role; found chekc; allowed: standard, check")),
    "swapped columns": (HEADER, ("a.jpg,H01,standard,window,0.5,50,,", "b.jpg,H02,standard,lamp,0.2,0,,",
                                 "c.jpg,H03,standard,lamp,0.6,100,,"),
                        (":2, column hardness: u is larger", "0.5 with u 50; alike in 2 of 3 rows", "swapped?")),
    "a unit in a cell": (HEADER, ("a.jpg,H01,standard,window,3.4 °dH,0.5,,",), (":2", "3.4 °dH", "in the header")),
    "a long row": (HEADER, ("a.jpg,H01,standard,window,5,0.5,,,7",), (":2", "9 cells", "8")),
    "a missing photograph": (HEADER, ("c.jpg,H01,standard,window,50,0.5,,",), (":2", "c.jpg")),
    "a photograph twice": (HEADER, (GOOD[0], "a.jpg,H02,standard,lamp,60,0.5,,"), (":3", "a.jpg", "line 2")),
    "text for a number": (HEADER, ("a.jpg,H01,standard,window,fifty,0.5,,",), (":2", "column hardness", "fifty")),
    "a decimal comma": (HEADER, ('a.jpg,H01,standard,window,"50,5",0.5,,',),
                        (":2", "column hardness", "50,5", "point")),
    "a negative value": (HEADER, ("a.jpg,H01,standard,window,-5,0.5,,",), (":2", "column hardness", "-5")),
    "a negative u": (HEADER, ("a.jpg,H01,standard,window,5,-0.5,,",), (":2", "column u(hardness)", "-0.5")),
    "infinity": (HEADER, ("a.jpg,H01,standard,window,inf,0.5,,",), (":2", "inf")),
    "no number": (HEADER, ("a.jpg,H01,standard,window,nan,0.5,,",), (":2", "nan")),
    "an unknown role": (HEADER, ("a.jpg,H01,blank,window,5,0.5,,",), (":2", "blank", "standard, check")),
    "no role": (HEADER, ("a.jpg,H01,,window,5,0.5,,",), (":2", "nothing", "standard, check")),
    "no light": (HEADER, ("a.jpg,H01,standard,,5,0.5,,",), (":2", "no light")),
    "a short row": (HEADER, ("a.jpg,H01",), (":2", "2 cells")),
    "only a header": (HEADER, (), ("empty",)),
    "nothing": ("", (), ("empty",)),
}


@pytest.mark.parametrize(("header", "rows", "names"), WRONG.values(), ids=WRONG.keys())
def test_one_clear_message(folder: Path, header: str, rows: tuple[str, ...], names: tuple[str, ...]) -> None:
    path = table(folder, header, *rows)
    with pytest.raises(FileError) as wrong:
        read_standards(path, UNITS)
    assert str(wrong.value).startswith(str(path))
    assert "\n" not in str(wrong.value)
    for name in some(names):
        assert name in str(wrong.value)


@pytest.mark.parametrize("content", [b"\xff\xfe\x00\x01" * 20, b"photo\0,standard\r\n"], ids=["not text", "zeros"])
def test_what_is_no_table(folder: Path, content: bytes) -> None:
    path = folder / "standards.csv"
    path.write_bytes(content)
    with pytest.raises(FileError, match=r"standards\.csv"):
        read_standards(path, UNITS)


def test_a_table_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"cannot be read.*No such file"):
        read_standards(tmp_path / "standards.csv", UNITS)

"""Photographs into the standards table: each once, with its standard; no existing row is lost."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.labels import Label, LabelledPhotograph, Row, matched
from shared.errors import MismatchError
from tests.loops import some


def row(photo: str, standard: str, light: str) -> Row:
    return {"photo": photo, "standard": standard, "role": "standard", "light": light, "ph": standard[-1]}


def found(photo: str, standard: str, light: str = "window", *, batch: str = "B",
          picture: str = "") -> LabelledPhotograph:
    return LabelledPhotograph(photo, Label(standard, batch), light, picture or photo)


PLANNED = [row(f"{s}-{light}.jpg", s, light) for s in ("H1", "H2", "H3") for light in ("window", "lamp")]
FINDS = st.lists(st.tuples(st.sampled_from(("H1", "H2", "H3")), st.sampled_from(("window", "lamp", "cool"))),
                 max_size=12)


@given(FINDS)
def test_each_photograph_once_and_nothing_lost(shown: list[tuple[str, str]]) -> None:
    """What is in the table are the finds and, for each planned row without one, that row; again changes nothing."""
    finds = [found(f"IMG_{n}.jpg", *what) for n, what in enumerate(shown)]
    rows = matched(PLANNED, finds, there=())
    taken = {f.photo for f in finds}
    assert Counter((r["photo"], r["standard"], r["light"]) for r in rows if r["photo"] in taken) == Counter(
        (f.photo, f.label.standard, f.light) for f in finds)
    still = [r for r in rows if r["photo"] not in taken]
    assert still == [r for r in PLANNED if (r["standard"], r["light"]) not in set(shown)]
    assert all(r["ph"] == r["standard"][-1] for r in some(rows))
    assert matched(rows, finds, there=taken) == rows
    assert matched(rows, [], there=taken) == rows


@given(FINDS, FINDS)
def test_two_runs_give_the_result_of_one(first: list[tuple[str, str]], second: list[tuple[str, str]]) -> None:
    """Photographs of another day join those of the first."""
    one, two = ([found(f"{day}-{n}.jpg", *what) for n, what in enumerate(shown)]
                for day, shown in (("1", first), ("2", second)))
    after_one = matched(PLANNED, one, there=())
    there = {f.photo for f in one}
    apart = matched(after_one, two, there=there)
    assert sorted(map(str, apart)) == sorted(map(str, matched(PLANNED, [*one, *two], there=())))


def test_a_table_of_one_row_a_standard_grows() -> None:
    """As a laboratory writes it by hand: no photograph, no light yet."""
    rows = matched([row("", "H1", ""), row("", "H2", "")],
                   [found("a.jpg", "H2"), found("b.jpg", "H2", "lamp"), found("c.jpg", "H2")], there=())
    assert [(r["photo"], r["standard"], r["light"]) for r in rows] == [
        ("", "H1", ""), ("a.jpg", "H2", "window"), ("b.jpg", "H2", "lamp"), ("c.jpg", "H2", "window")]


@pytest.mark.parametrize(("finds", "there", "said"), [
    ([found("a.jpg", "H9")], (),
     "the photographs show labels of standards that are not in the table; found H9; allowed: H1, H2"),
    ([found("a.jpg", "H1"), found("b.jpg", "H1", batch="C")], (),
     r"a\.jpg and b\.jpg: the photographs show labels of several batches"),
    ([found("a.jpg", "H1", picture="p"), found("b.jpg", "H2", picture="p")], (),
     r"a\.jpg and b\.jpg: two files contain the same photograph"),
    ([found("H1-window.jpg", "H2")], ("H1-window.jpg",),
     r"H1-window\.jpg: the table has another entry .* found H2 under window; allowed: H1 under window"),
    ([found("H1-window.jpg", "H1", "lamp")], ("H1-window.jpg",), "found H1 under lamp; allowed: H1 under window"),
], ids=["unknown standard", "two batches", "a copy", "another standard", "another light"])
def test_what_does_not_fit_is_refused(finds: list[LabelledPhotograph], there: tuple[str, ...], said: str) -> None:
    with pytest.raises(MismatchError, match=said):
        matched(PLANNED, finds, there=there)

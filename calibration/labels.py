"""Text of the printed labels of standards, and photographs matched to their standards by them.

``standard:H04;batch:demo-24``: keys and values of our own, in any order; unknown keys are ignored. A row whose
photograph exists stays. One whose photograph does not exist, as a plan proposes it, takes the first photograph of its
standard under its light. Further photographs get rows of their own after the standard's last.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from shared.errors import MismatchError


@dataclass(frozen=True, slots=True)
class Label:
    """Which solution of which batch."""

    standard: str
    batch: str


def label_text(label: Label) -> str:
    """The text of the code on a label."""
    return f"standard:{label.standard};batch:{label.batch}"


def read_label(text: str) -> Label | None:
    """The label that a code contains, or None for a code of another kind."""
    pairs = dict(part.partition(":")[::2] for part in text.split(";"))
    standard, batch = (pairs.get(key, "").strip() for key in ("standard", "batch"))
    return Label(standard, batch) if standard and batch else None


#: A row of the table by its columns.
Row = dict[str, str]


@dataclass(frozen=True, slots=True)
class LabelledPhotograph:
    """A photograph as the table names it, the label in it, its light, and the hash of its picture."""

    photo: str
    label: Label
    light: str
    picture: str


def matched(rows: Sequence[Row], photographs: Sequence[LabelledPhotograph], *, there: Collection[str]) -> list[Row]:
    """The table's rows, standard by standard, with the photographs found; ``there``: those it names that exist.

    Raises MismatchError for labels of several batches or of standards that are not in the table, for two files with the
    same photograph, and for a photograph that has another entry in the table.
    """
    _check_labels(rows, photographs)
    _check_pictures(photographs)
    taken = {row["photo"]: row for row in rows if row["photo"] in there}
    _check_taken(taken, photographs)
    new = [f for f in photographs if f.photo not in taken]
    standards = dict.fromkeys(row["standard"] for row in rows)
    return [row for name in standards
            for row in _filled([r for r in rows if r["standard"] == name],
                               [f for f in new if f.label.standard == name], there)]


def _filled(rows: Sequence[Row], photographs: Sequence[LabelledPhotograph], there: Collection[str]) -> Iterator[Row]:
    """The rows of one standard with its new photographs."""
    for row in rows:
        fits = [] if row["photo"] in there else [f for f in photographs if row["light"] in ("", f.light)]
        photographs = [f for f in photographs if f not in fits[:1]]
        yield _row_of(fits[0], row) if fits else row
    yield from (_row_of(f, rows[-1]) for f in photographs)


def _row_of(photograph: LabelledPhotograph, row: Row) -> Row:
    return {**row, "photo": photograph.photo, "light": photograph.light}


def _check_labels(rows: Sequence[Row], photographs: Sequence[LabelledPhotograph]) -> None:
    batches = {f.label.batch: f.photo for f in reversed(photographs)}
    if len(batches) > 1:
        raise MismatchError("the photographs show labels of several batches",
                            where=" and ".join(sorted(batches.values())),
                            found=", ".join(sorted(batches)), allowed="one batch for each table",
                            remedy="match the photographs of each batch separately")
    known = {row["standard"] for row in rows}
    unlisted = [f for f in photographs if f.label.standard not in known]
    if unlisted:
        raise MismatchError("the photographs show labels of standards that are not in the table",
                            where=", ".join(f.photo for f in unlisted),
                            found=", ".join(sorted({f.label.standard for f in unlisted})),
                            allowed=", ".join(sorted(known)),
                            remedy="give the table of the plan that the labels were printed from")


def _check_pictures(photographs: Sequence[LabelledPhotograph]) -> None:
    for one, other in combinations(photographs, 2):
        if one.picture == other.picture:
            raise MismatchError("two files contain the same photograph", where=f"{one.photo} and {other.photo}",
                                allowed="one photograph for each strip",
                                remedy="delete the copy, then match again")


def _check_taken(taken: dict[str, Row], photographs: Sequence[LabelledPhotograph]) -> None:
    """Raise MismatchError if a photograph's entry in the table differs from its label or light."""
    for one in photographs:
        row, seen = taken.get(one.photo), (one.label.standard, one.light)
        if row is not None and (row["standard"], row["light"]) != seen:
            raise MismatchError("the table has another entry for this photograph", where=one.photo,
                                found=f"{seen[0]} under {seen[1]}",
                                allowed=f"{row['standard']} under {row['light']}, as in the table",
                                remedy="correct or delete the row of the table, then match again")

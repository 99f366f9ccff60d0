"""The text of a printed label that lies in the frame, so that a photograph says which standard it shows.

``standard:H04;batch:demo-24``: keys and values of our own, in any order; what is not known is passed over.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Label:
    """Which solution of which batch."""

    standard: str
    batch: str


def label_text(label: Label) -> str:
    """What the code on a label says."""
    return f"standard:{label.standard};batch:{label.batch}"


def read_label(text: str) -> Label | None:
    """The label a code says, or None where it is a code of something else."""
    pairs = dict(part.partition(":")[::2] for part in text.split(";"))
    standard, batch = (pairs.get(key, "").strip() for key in ("standard", "batch"))
    return Label(standard, batch) if standard and batch else None

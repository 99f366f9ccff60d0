"""A card's check as text for a person and as JSON for a program."""

from __future__ import annotations

from pathlib import Path

import msgspec

from shared.flags import FLAGS
from stripread.reading.card_check import CardCheck
from stripread.reading.observe import NoObservation

#: How many patches the text shows, the most changed first.
_SHOWN = 5


def as_check_text(photo: Path, found: CardCheck | NoObservation) -> str:
    """The verdict first, then why, the patches that differ most, and what a photograph cannot show."""
    if isinstance(found, NoObservation):
        return f"{photo.name}: no verdict. {FLAGS[found.flag].words}"
    worst = sorted(found.patches, key=lambda p: -p.delta_e)[:_SHOWN]
    lines = [f"{photo.name}, print run {found.run}: {found.verdict}", *(f"  - {reason}" for reason in found.reasons)]
    lines.append(f"  patches differ from their measured colours by {found.typical_delta_e:.2f} (CIEDE2000, median);")
    lines.append("  those that differ most:")
    lines += [f"    {p.id} {p.colour:8} {p.delta_e:6.2f}, {p.times_uncertainty:.1f} times its uncertainty"
              for p in worst]
    low, high = found.shape.stretch
    lines.append(f"  print within {found.shape.out_of_place_mm:.2f} mm of its places; width over height {low:.3f} to "
                 f"{high:.3f} of the design")
    lines += [f"  not visible in a photograph: {text}" for text in found.unseen]
    return "\n".join(lines)


def as_check_json(photo: Path, found: CardCheck | NoObservation) -> str:
    """One JSON object."""
    if isinstance(found, NoObservation):
        said = {"photo": photo.name, "verdict": "look again", "reasons": [FLAGS[found.flag].words]}
        return msgspec.json.encode(said).decode()
    return msgspec.json.encode({"photo": photo.name, **msgspec.structs.asdict(found)}).decode()

"""A card as text and JSON: its check, and the profile of its print run compared with the design."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout
from shared.files import write_whole
from shared.flags import FLAGS
from shared.profile import MOST_FROM_DESIGN, PrintProfile, profile_text
from stripread.reading.card_check import CardCheck
from stripread.reading.observe import NoObservation
from stripread.report.colorimetry import (
    PatchDifference,
    colour_names,
    patch_differences,
    profile_summary,
    rounded_lab,
    spectral_colours,
)
from stripread.version import __version__

Array = NDArray[np.float64]


def as_profile_json(profile: PrintProfile, card: CardLayout, *, standard_error: Array | None) -> bytes:
    """Print run, identity and every patch."""
    colours = spectral_colours(profile)
    spectra = None if colours is None else [
        {"id": name, "xyz": rounded_lab(xyz), "lab": rounded_lab(lab), "delta_e": round(float(off), 3)}
        for name, xyz, lab, off in zip(profile.ids, colours.xyz, colours.lab, colours.delta_e, strict=True)]
    return msgspec.json.encode({"print_run": profile.run, "id": profile.id, "spectra": spectra,
                                "patches": patch_differences(profile, card, standard_error)})


def as_profile_text(profile: PrintProfile, card: CardLayout, *, standard_error: Array | None,
                    details: bool = False) -> str:
    """The summary; with ``details`` the table of all patches after it."""
    rows = patch_differences(profile, card, standard_error)
    table = _patch_lines(rows) if details else (f"{len(rows)} patches, all of this card. Each of them: --details.",)
    return "\n".join((*_summary_lines(profile, card, rows, standard_error=standard_error), *table))


def _patch_lines(rows: Sequence[PatchDifference]) -> Iterator[str]:
    yield f"{'patch':6} {'colour':10} {'L*':>6} {'a*':>7} {'b*':>7}   {'design':^22} {'dE00':>6}"
    for r in rows:
        lab, design = (f"{v[0]:6.2f} {v[1]:7.2f} {v[2]:7.2f}" for v in (r.lab, r.design))
        stated_error = "" if r.standard_error is None else f" ± {r.standard_error:.2f}"
        yield f"{r.id:6} {r.colour:10} {lab}   {design} {r.delta_e:6.2f}{stated_error}"


def _summary_lines(profile: PrintProfile, card: CardLayout, rows: Sequence[PatchDifference], *,
                   standard_error: Array | None) -> Iterator[str]:
    found = profile_summary(profile, rows)
    yield (f"print run {profile.run} of {card.name}: passed. Median difference from the design {found.median:.1f} "
           f"CIEDE2000 (at most {MOST_FROM_DESIGN:g})")
    yield (f"largest difference {found.largest:.1f}; repeated patches of the same colour differ by at most "
           f"{found.uneven:.1f}; {'with' if found.spectra else 'without'} spectra")
    colours = spectral_colours(profile)
    if colours is not None:
        yield colours.words
    if standard_error is not None:
        yield ("Derived from photographs with a measured card. Strips can be evaluated with this profile, but measure "
               "the card as soon as an instrument is available.")


def write_profile(path: Path, profile: PrintProfile, *, card: CardLayout, source: str) -> None:
    """Write the profile as CGATS.17. FileError where it cannot be written."""
    text = profile_text(profile, names=colour_names(card), originator=f"stripread {__version__}",
                        descriptor=f"{card.name}, print run {profile.run}, from {source}")
    write_whole(path, text.encode())


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
    if found.bar_mm is not None:
        lines.append(f"  bar {found.bar_mm:.1f} mm by the markers")
    lines += [f"  not visible in a photograph: {text}" for text in found.unseen]
    return "\n".join(lines)


def as_check_json(photo: Path, found: CardCheck | NoObservation) -> bytes:
    """One JSON object."""
    if isinstance(found, NoObservation):
        result = {"photo": photo.name, "verdict": "look again", "reasons": [FLAGS[found.flag].words]}
        return msgspec.json.encode(result)
    return msgspec.json.encode({"photo": photo.name, **msgspec.structs.asdict(found)})

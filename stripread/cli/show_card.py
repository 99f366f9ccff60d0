"""A card as text and JSON: its check, and the profile of its print run compared with the design."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from shared.card import BED, PAPER, CardLayout
from shared.colour import delta_e_2000
from shared.files import write_whole
from shared.flags import FLAGS
from shared.profile import PrintProfile, nominal, profile_text
from stripread.reading.card_check import CardCheck
from stripread.reading.observe import NoObservation
from stripread.report.colorimetry import spectral_colours
from stripread.version import __version__

Array = NDArray[np.float64]


class PatchDifference(msgspec.Struct, frozen=True, kw_only=True):
    """One patch as measured and as designed; ``standard_error``: over photographs, CIELAB units."""

    id: str
    colour: str
    lab: tuple[float, float, float]
    design: tuple[float, float, float]
    delta_e: float
    standard_error: float | None


def _rows(profile: PrintProfile, card: CardLayout, *, standard_error: Array | None) -> Iterator[PatchDifference]:
    ids, colours = (*card.patch_ids, BED, PAPER), _colours(card)
    measured, design = profile.lab_of(ids), nominal(card).lab_of(ids)
    apart = delta_e_2000(measured, design)
    errors = {} if standard_error is None else dict(zip(profile.ids, standard_error.tolist(), strict=False))
    for i, name in enumerate(ids):
        yield PatchDifference(id=name, colour=colours[name], lab=_triple(measured[i]), design=_triple(design[i]),
                         delta_e=round(float(apart[i]), 2), standard_error=errors.get(name))


def _colours(card: CardLayout) -> dict[str, str]:
    return {**{p.id: p.colour for p in card.patches}, BED: "bed", PAPER: "paper"}


def _triple(lab: Array) -> tuple[float, float, float]:
    lightness, a, b = np.round(lab, 2).tolist()
    return lightness, a, b


def as_profile_json(profile: PrintProfile, card: CardLayout, *, standard_error: Array | None) -> bytes:
    """Print run, identity and every patch."""
    colours = spectral_colours(profile)
    spectra = None if colours is None else [
        {"id": name, "xyz": _triple(xyz), "lab": _triple(lab), "delta_e": round(float(off), 3)}
        for name, xyz, lab, off in zip(profile.ids, colours.xyz, colours.lab, colours.delta_e, strict=True)]
    return msgspec.json.encode({"print_run": profile.run, "id": profile.id, "spectra": spectra,
                                "patches": list(_rows(profile, card, standard_error=standard_error))})


def as_profile_text(profile: PrintProfile, card: CardLayout, *, standard_error: Array | None) -> str:
    """A table of patches, then what it comes to."""
    return "\n".join(_lines(profile, card, standard_error=standard_error))


def _lines(profile: PrintProfile, card: CardLayout, *, standard_error: Array | None) -> Iterator[str]:
    rows = list(_rows(profile, card, standard_error=standard_error))
    yield f"{'patch':6} {'colour':10} {'L*':>6} {'a*':>7} {'b*':>7}   {'design':^22} {'dE00':>6}"
    for r in rows:
        lab, design = (f"{v[0]:6.2f} {v[1]:7.2f} {v[2]:7.2f}" for v in (r.lab, r.design))
        stated_error = "" if r.standard_error is None else f" ± {r.standard_error:.2f}"
        yield f"{r.id:6} {r.colour:10} {lab}   {design} {r.delta_e:6.2f}{stated_error}"
    apart = [r.delta_e for r in rows if r.id != PAPER]
    yield (f"print run {profile.run} of {card.name}: median difference from the design {np.median(apart):.1f}, largest "
           f"{max(apart):.1f}; {'with' if profile.spectra is not None else 'without'} spectra")
    yield f"patches of one name differ by up to {_unevenness(rows):.1f} over the card"
    colours = spectral_colours(profile)
    if colours is not None:
        yield colours.words
    if standard_error is not None:
        yield ("From photographs, relative to a measured card: good for reading, but no measurement. "
               "Measure a card when an instrument is at hand.")


def _unevenness(rows: list[PatchDifference]) -> float:
    """Largest CIEDE2000 between two patches that are printed alike."""
    by_colour = [[r.lab for r in rows if r.colour == c] for c in {r.colour for r in rows}]
    return max(float(delta_e_2000(np.array(labs)[:, None], np.array(labs)).max()) for labs in by_colour)


def write_profile(path: Path, profile: PrintProfile, *, card: CardLayout, source: str) -> None:
    """Write the profile as CGATS.17. FileError where it cannot be written."""
    text = profile_text(profile, names=_colours(card), originator=f"stripread {__version__}",
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
    lines += [f"  not visible in a photograph: {text}" for text in found.unseen]
    return "\n".join(lines)


def as_check_json(photo: Path, found: CardCheck | NoObservation) -> bytes:
    """One JSON object."""
    if isinstance(found, NoObservation):
        said = {"photo": photo.name, "verdict": "look again", "reasons": [FLAGS[found.flag].words]}
        return msgspec.json.encode(said)
    return msgspec.json.encode({"photo": photo.name, **msgspec.structs.asdict(found)})

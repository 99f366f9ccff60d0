"""``stripread card``: reference cards printed, characterised, checked in use, registered; their checks as text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import click
import msgspec
import numpy as np
from numpy.typing import NDArray

from shared.card import CardLayout, default_card, read_card
from shared.errors import InputError
from shared.files import write_whole
from shared.flags import FLAGS
from shared.profile import MOST_FROM_DESIGN, PrintProfile, profile_text, read_profile
from stripread.cli.commands import CommandGroup
from stripread.cli.options import FILE, json_lines_option, json_option
from stripread.cli.output import echo
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

_card_option = click.option("--card", "layout", metavar="FILE.json", type=click.Path(path_type=Path),
                            help="Card layout [default: the supplied card].")


@click.group(cls=CommandGroup, examples=("stripread card print --run 12 -o card.pdf",))
def card() -> None:
    """Print, characterise, check and register reference cards."""


@card.command("print", examples=("stripread card print --run 12 --sheet a4 -o cards.pdf",))
@click.option("--run", "print_run", type=int, required=True, metavar="N",
              help="Number of the print run; use a new number for each printing.")
@click.option("--sheet", type=click.Choice(["card", "a4"]), default="card", show_default=True,
              help="Page: one card at its own size (card), or four on A4 with crop marks (a4).")
@click.option("-o", "--output", required=True, type=FILE, metavar="FILE.pdf",
              help="PDF to write; an existing one is replaced.")
@_card_option
@json_option
def print_(print_run: int, sheet: str, output: Path, *, layout: Path | None, as_json: bool) -> None:
    """Print a card at exact size to a PDF.

    Print the PDF at 100 %, not fitted to the page, on matt, water-resistant stock. Check the length of the line on
    the card, measure the patches, and characterise the print run with `stripread card characterise`.
    """
    from stripread.report.card_pdf import card_pdf

    if output.suffix.lower() != ".pdf":
        raise click.UsageError(f"the card is a PDF: --output must end in .pdf, found {output}")
    chosen = _layout(layout)
    write_whole(output, card_pdf(chosen, print_run, sheet="a4" if sheet == "a4" else "card"))
    codes = chosen.marker_ids(print_run)
    if as_json:
        import msgspec

        echo(msgspec.json.encode({"file": str(output), "print_run": print_run, "markers": codes}))
        return
    echo(f"{output}: {chosen.name}, print run {print_run}, markers {codes[0]} to {codes[-1]}.\n"
               f"Print at 100 %; the line on the card must measure {chosen.scale_bar.length:g} mm.")


@card.command(examples=("stripread card check photo.jpg --profile card-run-007.txt",))
@click.argument("photo", type=click.Path(path_type=Path))
@click.option("--profile", "measured", type=click.Path(path_type=Path), required=True, metavar="FILE",
              help="Card profile of the print run (CGATS.17).")
@_card_option
@json_option
def check(photo: Path, *, measured: Path, layout: Path | None, as_json: bool) -> int:
    """Check whether a card in use is still usable.

    PHOTO shows the card with or without a strip, in even light. Patches are compared with their measured colours
    under the light of the photograph; paper and markers are checked too. Exit status 1: the photograph does not allow
    a verdict.
    """
    from shared.strip import default_strip
    from stripread.cli.output import DONE, NO_RESULT
    from stripread.reading.card_check import check_card
    from stripread.reading.observe import NoObservation, observe_file
    from stripread.reading.photo_file import open_photo

    chosen, known = _layout(layout), read_profile(measured)
    known.check_against(chosen)
    _, seen = observe_file(open_photo(photo), chosen, default_strip(), [known])
    result = seen if isinstance(seen, NoObservation) else check_card(seen)
    echo(as_check_json(photo, result) if as_json else as_check_text(photo, result))
    undecided = isinstance(result, NoObservation) or result.verdict == "look again"
    return NO_RESULT if undecided else DONE


@card.command(examples=(
    "stripread card characterise measured.txt -o card-run-012.txt",
    ("stripread card characterise --photo a.jpg --photo b.jpg --photo c.jpg --reference card-run-007.txt --run 12 "
    "-o card-run-012.txt")))
@click.argument("measured", type=click.Path(path_type=Path), required=False)
@click.option("--photo", "photos", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
              help="Photograph of the new card next to a measured one; repeatable, at least three.")
@click.option("--reference", type=click.Path(path_type=Path), metavar="FILE",
              help="Card profile of the measured card in the photographs.")
@click.option("--run", "print_run", type=int, metavar="N", help="Print run of the new card in the photographs.")
@click.option("-o", "--output", type=FILE, metavar="FILE",
              help="Card profile to write (CGATS.17); required with --photo.")
@_card_option
@click.option("--details", is_flag=True, help="Measured and nominal colour of each patch.")
@json_option
def characterise(measured: Path | None, *, photos: tuple[Path, ...], reference: Path | None, print_run: int | None,
                 output: Path | None, layout: Path | None, details: bool, as_json: bool) -> None:
    """Characterise a print run: import its measured colours and compare them with the nominal values.

    MEASURED is the export of a spectrophotometer: CGATS.17 text with the patch names of the card, BED and PAPER,
    L*a*b* for D50 and 2 degrees or spectra, and the line PRINT_RUN. It is validated against the layout; differences
    are CIEDE2000.

    Without an instrument, photograph the new card next to a measured card of the same stock. Both cards must be flat,
    completely visible and in the same light. Then give --photo, --reference, --run and --output instead of MEASURED.
    """
    chosen, standard_error = _layout(layout), None
    if measured is not None and not photos:
        profile_ = read_profile(measured)
    else:
        profile_, standard_error = _from_photographs(measured, photos, reference=reference, run=print_run, card=chosen)
    profile_.check_against(chosen)
    if output is not None:
        write_profile(output, profile_, card=chosen,
                      source=measured.name if measured else "photographs next to a measured card")
    elif photos:
        raise InputError("a card profile from photographs needs a file", where="--output", found="nothing",
                         allowed="a path")
    echo(as_profile_json(profile_, chosen, standard_error=standard_error) if as_json else
         as_profile_text(profile_, chosen, standard_error=standard_error, details=details))


@card.command(examples=("stripread card register card-run-007.txt",))
@click.argument("files", nargs=-1, required=True, type=FILE)
@json_lines_option
def register(files: tuple[Path, ...], *, as_json: bool) -> None:
    """Register card profiles of print runs; later commands find them by print run.

    FILES are card profiles (CGATS.17). Profiles already registered are left unchanged.
    """
    from stripread.cli.table_import import register as register_files

    register_files(files, as_json=as_json)


def _from_photographs(measured: Path | None, photos: tuple[Path, ...], *, reference: Path | None, run: int | None,
                      card: CardLayout) -> tuple[PrintProfile, Array]:
    from stripread.reading.card_transfer import transfer_profile
    from stripread.reading.photo_file import load_photo

    if measured is not None or not photos or reference is None or run is None:
        raise InputError("give one measurement, or photographs with their reference", where="card characterise",
                         found="another combination of options",
                         allowed="MEASURED, or --photo, --reference and --run")
    known = read_profile(reference)
    known.check_against(card)
    card.marker_ids(run)
    profile = transfer_profile([load_photo(p) for p in photos], card, reference=known, run=run)
    return profile.profile, profile.standard_error


def _layout(path: Path | None) -> CardLayout:
    return read_card(path) if path else default_card()


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
    summary = profile_summary(profile, rows)
    yield (f"print run {profile.run} of {card.name}: passed. Median difference from the design {summary.median:.1f} "
           f"CIEDE2000 (at most {MOST_FROM_DESIGN:g})")
    yield (f"largest difference {summary.largest:.1f}; repeated patches of the same colour differ by at most "
           f"{summary.uneven:.1f}; {'with' if summary.spectra else 'without'} spectra")
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


def as_check_text(photo: Path, check: CardCheck | NoObservation) -> str:
    """The verdict first, then why, the patches that differ most, and what a photograph cannot show."""
    if isinstance(check, NoObservation):
        return f"{photo.name}: no verdict. {FLAGS[check.flag].words}"
    worst = sorted(check.patches, key=lambda p: -p.delta_e)[:_SHOWN]
    lines = [f"{photo.name}, print run {check.run}: {check.verdict}", *(f"  - {reason}" for reason in check.reasons)]
    lines.append(f"  patches differ from their measured colours by {check.typical_delta_e:.2f} (CIEDE2000, median);")
    lines.append("  those that differ most:")
    lines += [f"    {p.id} {p.colour:8} {p.delta_e:6.2f}, {p.times_uncertainty:.1f} times its uncertainty"
              for p in worst]
    low, high = check.shape.stretch
    lines.append(f"  print within {check.shape.out_of_place_mm:.2f} mm of its places; width over height {low:.3f} to "
                 f"{high:.3f} of the design")
    if check.bar_mm is not None:
        lines.append(f"  bar {check.bar_mm:.1f} mm by the markers")
    lines += [f"  not visible in a photograph: {text}" for text in check.unseen]
    return "\n".join(lines)


def as_check_json(photo: Path, check: CardCheck | NoObservation) -> bytes:
    """One JSON object."""
    if isinstance(check, NoObservation):
        result = {"photo": photo.name, "verdict": "look again", "reasons": [FLAGS[check.flag].words]}
        return msgspec.json.encode(result)
    return msgspec.json.encode({"photo": photo.name, **msgspec.structs.asdict(check)})

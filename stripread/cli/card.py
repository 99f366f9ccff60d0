"""``stripread card``: print a card, take in the measurement of a print run, check a card in use."""

from __future__ import annotations

from pathlib import Path

import click

from shared.card import CardLayout, default_card, read_card
from shared.errors import InputError
from shared.files import write_whole
from shared.profile import PrintProfile, read_profile
from stripread.cli.lazy import SuggestingGroup
from stripread.cli.main import echo
from stripread.cli.show_profile import Array, as_profile_json, as_profile_text, write_profile

_card_option = click.option("--card", "layout", type=click.Path(path_type=Path),
                            help="Card layout (JSON), if not the default card.")
_json_option = click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")


@click.group(cls=SuggestingGroup)
def card() -> None:
    """Reference cards: print them, say what colours a print run really has, see whether a card is still good."""


@card.command("print")
@click.option("--run", "print_run", type=int, required=True,
              help="Number of the print run: a new one for every printing, whose colours are its own.")
@click.option("--sheet", type=click.Choice(["card", "a4"]), default="card", show_default=True,
              help="One card a page of its own size, or four on A4 with crop marks.")
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path),
              help="The PDF to write.")
@_card_option
@_json_option
def print_(print_run: int, sheet: str, output: Path, *, layout: Path | None, as_json: bool) -> None:
    """Write the PDF of a card at exact size.

    Print it at 100 %, never fitted to the page, on matt, water-resistant stock, then measure the line on it
    and the patches, and give the measurement to `stripread card profile`.
    """
    from stripread.report.card_pdf import card_pdf

    chosen = _layout(layout)
    write_whole(output, card_pdf(chosen, print_run, sheet="a4" if sheet == "a4" else "card"))
    codes = chosen.marker_ids(print_run)
    if as_json:
        import msgspec

        echo(msgspec.json.encode({"file": str(output), "print_run": print_run, "markers": codes}))
        return
    echo(f"{output}: {chosen.name}, print run {print_run}, markers {codes[0]} to {codes[-1]}.\n"
               f"Print at 100 %; the line on the card must measure {chosen.scale_bar.length:g} mm.")


@card.command()
@click.argument("photo", type=click.Path(path_type=Path))
@click.option("--profile", "measured", type=click.Path(path_type=Path), required=True,
              help="Profile of the card's print run (CGATS.17).")
@_card_option
@_json_option
def check(photo: Path, *, measured: Path, layout: Path | None, as_json: bool) -> int:
    """Is this card still good? PHOTO shows it with or without a strip, in good even light.

    Patches are compared with their measured colours under the light of the photograph; paper and markers are
    looked at as well. Exit status 1 when nothing can be said.
    """
    from shared.strip import default_strip
    from stripread.cli.main import DONE, SOME_REFUSED
    from stripread.cli.show_card import as_check_json, as_check_text
    from stripread.reading.card_check import check_card
    from stripread.reading.observe import Unreadable, observe_file
    from stripread.reading.photo_file import open_photo

    chosen, known = _layout(layout), read_profile(measured)
    known.check_against(chosen)
    _, seen = observe_file(open_photo(photo), chosen, default_strip(), [known])
    found = seen if isinstance(seen, Unreadable) else check_card(seen)
    echo(as_check_json(photo, found) if as_json else as_check_text(photo, found))
    unsaid = isinstance(found, Unreadable) or found.verdict == "look again"
    return SOME_REFUSED if unsaid else DONE


@card.command()
@click.argument("measured", type=click.Path(path_type=Path), required=False)
@click.option("--photo", "photos", multiple=True, type=click.Path(path_type=Path),
              help="With no instrument: a photograph of the new card beside a measured one; give three or more.")
@click.option("--reference", type=click.Path(path_type=Path), help="Profile of the measured card in the photographs.")
@click.option("--run", "print_run", type=int, help="Print run of the new card in the photographs.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path),
              help="Write the profile as CGATS.17; needed with --photo.")
@_card_option
@_json_option
def profile(measured: Path | None, *, photos: tuple[Path, ...], reference: Path | None, print_run: int | None,
            output: Path | None, layout: Path | None, as_json: bool) -> None:
    """Take in the colours of a print run, and show how they differ from the design.

    MEASURED is what a spectrophotometer exported: CGATS.17 text with the patch names of the card, BED and PAPER,
    L*a*b* for D50 and 2 degrees or spectra, and the line PRINT_RUN. It is checked against the layout; the
    differences are CIEDE2000.

    With no instrument, photograph the new card beside a measured card of the same stock, both whole and flat in
    the same light, and give --photo, --reference, --run and --output instead.
    """
    chosen, doubt = _layout(layout), None
    if measured is not None and not photos:
        found = read_profile(measured)
    else:
        found, doubt = _from_photographs(measured, photos, reference=reference, run=print_run, card=chosen)
    found.check_against(chosen)
    if output is not None:
        write_profile(output, found, card=chosen,
                      source=measured.name if measured else "photographs beside a measured card")
    elif photos:
        raise InputError("nowhere to write the profile", where="--output", found="nothing", allowed="a file's path")
    echo(as_profile_json(found, chosen, doubt=doubt) if as_json else as_profile_text(found, chosen, doubt=doubt))


def _from_photographs(measured: Path | None, photos: tuple[Path, ...], *, reference: Path | None, run: int | None,
                      card: CardLayout) -> tuple[PrintProfile, Array]:
    from stripread.reading.card_transfer import transfer_profile
    from stripread.reading.photo_file import load_photo

    if measured is not None or not photos or reference is None or run is None:
        raise InputError("a profile comes from one measurement or from photographs", where="card profile",
                         found="neither, both, or photographs without a reference",
                         allowed="MEASURED, or --photo, --reference and --run")
    known = read_profile(reference)
    known.check_against(card)
    card.marker_ids(run)
    found = transfer_profile([load_photo(p) for p in photos], card, reference=known, run=run)
    return found.profile, found.standard_error


def _layout(path: Path | None) -> CardLayout:
    return read_card(path) if path else default_card()

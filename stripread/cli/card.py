"""``stripread card``: print a card, and take in the measurement of a print run."""

from __future__ import annotations

from pathlib import Path

import click

from shared.card import CardLayout, default_card, read_card

_card_option = click.option("--card", "layout", type=click.Path(path_type=Path),
                            help="Card layout (JSON), if not the default card.")
_json_option = click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")


@click.group()
def card() -> None:
    """Reference cards: print them, and say what colours a print run really has."""


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
    output.write_bytes(card_pdf(chosen, print_run, sheet="a4" if sheet == "a4" else "card"))
    codes = chosen.marker_ids(print_run)
    if as_json:
        import msgspec

        click.echo(msgspec.json.encode({"file": str(output), "print_run": print_run, "markers": codes}))
        return
    click.echo(f"{output}: {chosen.name}, print run {print_run}, markers {codes[0]} to {codes[-1]}.\n"
               f"Print at 100 %; the line on the card must measure {chosen.scale_bar.length:g} mm.")


def _layout(path: Path | None) -> CardLayout:
    return read_card(path) if path else default_card()

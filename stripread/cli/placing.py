"""Card and pads placed by hand, as commands take them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from shared.strip import StripType
from stripread.reading.placing import corners_from_text, pads_from_text
from stripread.reading.result import Placed


def placing(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command ``--corners``, ``--pads`` and ``--run``."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def placed(corners: str | None, pads: tuple[str, ...], run: int | None, strip: StripType) -> Placed:
    """What was placed. Raises InputError where it cannot be read."""
    return Placed(None if corners is None else corners_from_text(corners), pads_from_text(pads, strip), run)


_OPTIONS = (
    click.option("--corners", metavar="'X,Y X,Y X,Y X,Y'",
                 help="Corners of the card placed by hand, for one photograph: pixels of the upright photograph, "
                      "top left, top right, bottom right, bottom left."),
    click.option("--pads", multiple=True, metavar="ANALYTE=X,Y",
                 help="Centre of a pad placed by hand, for one photograph; two or more tell how the strip lies."),
    click.option("--run", type=int, help="Print run of a card placed by hand, unless one profile tells it."),
)

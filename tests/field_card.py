"""The technician's field card as a page to print: the steps of the manual's page, each with a picture."""

from __future__ import annotations

import html
import re
from typing import Final

from tests.documents import page

#: Drawings of the eight steps, 120 by 84, in lines.
_PICTURES: Final = (
    # A tube with its label and a strip half out of it.
    ('<path d="M40 30h30v50H40zM40 24h30v6H40z"/><path d="M50 24V6h8v18"/>'
    '<path class="f" d="M51 8h6v5h-6zM51 15h6v5h-6z"/>'
    '<path d="M46 46h18M46 53h18M46 60h12"/><path class="a" d="M80 48l8 8 16-20"/>'),
    # A tap that runs into a cup, with a clock.
    ('<path d="M10 16h34a10 10 0 0 1 10 10v6H42v-4H10z"/><path d="M24 16V6M16 6h16"/>'
    '<path class="a" d="M46 36v14M50 36v14"/>'
    '<path d="M34 54h28l-4 26H38z"/><circle cx="92" cy="40" r="18"/><path d="M92 28v12l9 6"/>'),
    # A cup with a thermometer and an arrow down.
    ('<path d="M22 36h40l-5 42H27z"/><path d="M62 44h8a8 8 0 0 1 0 18h-10"/>'
    '<path class="a" d="M32 26q-5-7 0-13M42 26q-5-7 0-13M52 26q-5-7 0-13"/>'
    '<path d="M90 14h8v38a10 10 0 1 1-8 0z"/><path class="f" d="M92 40h4v14h-4z"/>'
    '<path class="a" d="M110 20v28m-5-6l5 7 5-7"/>'),
    # The card on a table in even light.
    ('<path d="M14 46h92v32H14z"/><path class="f" d="M18 50h7v7h-7zM95 50h7v7h-7zM18 67h7v7h-7zM95 67h7v7h-7z"/>'
    '<path d="M30 58h60v9H30z"/>'
    '<circle class="a" cx="60" cy="18" r="9"/>'
    '<path class="a" d="M60 2v4M42 18h4M74 18h4M47 6l3 3M73 6l-3 3M50 32l-4 6M60 34v6M70 32l4 6"/>'),
    # A strip in a cup, all pads below the surface.
    ('<path d="M30 30h60l-7 50H37z"/><path class="a" d="M32 40h56"/><path d="M55 4h10v66H55z"/>'
    '<path class="f" d="M56 44h8v4h-8zM56 50h8v4h-8zM56 56h8v4h-8zM56 62h8v4h-8z"/>'
    '<path class="a" d="M78 8v20m-5-6l5 7 5-7"/>'),
    # The strip on the bed, tip at the stop line, with a clock.
    ('<path d="M6 30h80v40H6z"/><path class="f" d="M9 33h6v6H9zM77 33h6v6h-6zM9 61h6v6H9zM77 61h6v6h-6z"/>'
    '<path d="M18 46h62v9H18z"/>'
    '<path class="a" d="M20 43v15"/><path class="f" d="M23 48h5v5h-5zM31 48h5v5h-5zM39 48h5v5h-5zM47 48h5v5h-5z"/>'
    '<circle cx="103" cy="26" r="14"/><path d="M103 17v9l6 4"/>'),
    # A phone straight above the card.
    ('<path d="M40 4h40v20H40z"/><circle cx="60" cy="14" r="4"/>'
    '<path class="a" d="M46 26L18 58M74 26l28 32" stroke-dasharray="4"/>'
    '<path d="M14 60h92v18H14z"/><path class="f" d="M17 63h5v5h-5zM98 63h5v5h-5zM17 70h5v5h-5zM98 70h5v5h-5z"/>'
    '<path d="M28 67h60v5H28z"/>'),
    # A phone with the answer.
    ('<path d="M40 4h40v76H40z"/><path d="M46 12h28v16H46z"/><path d="M46 40h10M46 48h10M46 56h10M46 64h10"/>'
    '<path class="a" d="M60 40h14M60 48h9M60 56h12M60 64h7M47 33l3 3 6-7"/>'),
)
_STYLE: Final = """
@page { size: A4; margin: 12mm } * { box-sizing: border-box }
body { font: 10.5pt/1.35 sans-serif; margin: 0; width: 185mm; color: #111 }
h1 { font-size: 17pt; margin: 0 0 4mm } ol { list-style: none; margin: 0; padding: 0; display: grid;
grid-template-columns: repeat(2, minmax(0, 1fr)); gap: 3.5mm }
li { border: .4mm solid #777; border-radius: 2mm; padding: 3mm; min-height: 46mm;
display: grid; grid-template-columns: 43mm 1fr; gap: 3mm; break-inside: avoid } li > div { position: relative }
.n { font: bold 15pt sans-serif }
svg { width: 42mm; height: 30mm; display: block; fill: none; stroke: #333; stroke-width: 2 }
svg .a { stroke: #06c } svg .f { fill: #555; stroke: none }
p { margin: 0 } small { color: #444; display: block; margin-top: 1mm }
.caution { border: .8mm solid #b00; border-radius: 2mm; padding: 3mm; margin-bottom: 4mm }
"""


def card_html() -> str:
    """Return the card as one page of HTML. ValueError where steps and pictures do not match."""
    text = page("field-card")
    title = text.partition("\n")[0].lstrip("# ")
    steps = re.findall(r"^\| (\d) \| (.+?) \| (.*?) \|$", text, re.MULTILINE)
    items = "".join(
        f'<li><div><span class="n">{n}</span><svg viewBox="0 0 120 84">{picture}</svg></div>'
        f"<div><p>{_inline(step)}</p><small>{_inline(why)}</small></div></li>"
        for (n, step, why), picture in zip(steps, _PICTURES, strict=True))
    caution = next(paragraph for paragraph in text.split("\n\n") if paragraph.startswith("**CAUTION"))
    return (f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{html.escape(title)}</title>'
            f"<style>{_STYLE}</style><h1>{html.escape(title)}</h1>"
            f'<p class="caution">{_inline(caution)}</p><ol>{items}</ol></html>')


def _inline(text: str) -> str:
    """Return Markdown of a step as HTML: bold text is all that it contains."""
    return re.sub(r"\*\*(.+?)\*\*", r"<b>\1</b>", html.escape(" ".join(text.split()), quote=False))

"""``stripread chart compare``: whether two charts differ, and whether it matters."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from calibration.chart import load_chart
from calibration.compare import Comparison
from calibration.compare import compare as compare_charts
from shared.quantities import read_quantity
from stripread.cli.main import echo


@click.command()
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option("--allow", multiple=True, metavar="ANALYTE=QUANTITY",
              help="Largest shift that does not matter, as hardness='5 mg/L CaCO3'; repeat it for others. "
                   "Where none is given: 5 % of the value or 1 % of the range; 0.1 for pH.")
@click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
def compare(first: Path, second: Path, *, allow: tuple[str, ...], as_json: bool) -> None:
    """Whether the charts FIRST and SECOND differ, and whether that matters.

    The shift is what SECOND would say more of a colour that FIRST gives the value on the left.
    """
    compared = compare_charts(load_chart(first), load_chart(second), allowed=dict(map(_allowed, allow)))
    if as_json:
        import msgspec

        echo(msgspec.json.encode([
            {**msgspec.to_builtins(c), "p": c.p, "real": c.real, "matters": c.matters, "undecided": c.undecided}
            for c in compared]))
    else:
        echo("\n".join(line for c in compared for line in _comparison_lines(c)))


def _allowed(text: str) -> tuple[str, float]:
    analyte, _, quantity = text.partition("=")
    return analyte, read_quantity(quantity, analyte, where="--allow")


def _comparison_lines(compared: Comparison) -> Iterator[str]:
    yield f"{compared.analyte} [{compared.unit}]: {_verdict(compared)} (p = {compared.p:.2g})"
    yield f"{'value':>10} {'shift':>9} {'u':>8} {'dE00':>6} {'allowed':>8}"
    for d in compared.levels:
        yield (f"{d.value:10g} {d.shift:+9.3g} {d.u:8.2g} {d.delta_e:6.2f} {d.allowed:8.2g}"
               f"{'  matters' if compared.real and d.matters else ''}")


def _verdict(compared: Comparison) -> str:
    if compared.real:
        return "they differ, and it matters" if compared.matters else "they differ, too little to matter"
    if compared.undecided:
        return "no difference is shown, but their standards do not exclude one that matters"
    return "no difference that matters"

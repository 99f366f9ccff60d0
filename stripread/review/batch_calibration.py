"""Calibration of a strip batch from its stored standards: the chart is fitted, registered and checked.

The fit needs files: photographs and table are written to a folder that is removed afterwards, and the fit runs where
the caller wants it, so that no photograph is decoded in a process that serves pages.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import msgspec

from calibration.chart import Chart, ExcludedPhotograph
from calibration.standards import CertifiedValue, StandardRow
from calibration.standards_plan.export import written_table
from shared.card import CardLayout, default_card
from shared.errors import MismatchError
from shared.profile import profile_of
from shared.strip import StripType, default_strip
from stripread.intake.materials_import import register_chart
from stripread.intake.standards import ReceivedCheck, read_checks, standards_of
from stripread.reading.calibrate import Material, calibrate_material
from stripread.reading.executors import SERIAL, Executor
from stripread.review.reanalysis.run import ReanalysisOptions, reevaluate
from stripread.store.models.evidence import Photograph
from stripread.store.models.materials import Batch, PrintRun, StandardPhotograph, StandardsSet, StoredChart
from stripread.store.reading_status import last_reading
from stripread.store.store import Store

TABLE: Final = "standards.csv"
_UNSAFE: Final = re.compile(r"[^A-Za-z0-9._-]")
_NAME_LETTERS: Final = 80


class FitOrder(msgspec.Struct, frozen=True, kw_only=True):
    """What is fitted: table and photographs in ``folder``, the CGATS text of the print run, photographs excluded."""

    folder: str
    batch: str
    card: CardLayout
    strip: StripType
    profile: str
    excluded: tuple[ExcludedPhotograph, ...]


#: Runs `fit_order` and returns the chart; the function given reports how many photographs of how many are observed.
Fit = Callable[[FitOrder, Callable[[int, int], None]], Chart]


def fit_order(order: FitOrder, report: Callable[[int, int], None]) -> Chart:
    """Return the chart fitted to a folder of standards; may run in another process."""
    def watched(rows: Sequence[StandardRow]) -> Iterator[StandardRow]:
        for n, row in enumerate(rows):
            report(n, len(rows))
            yield row
        report(len(rows), len(rows))

    material = Material(card=order.card, strip=order.strip, profile=profile_of(order.profile, "card profile"),
                        table=Path(order.folder) / TABLE, batch=order.batch)
    return calibrate_material(material, watched, order.excluded).chart


@dataclass(frozen=True, slots=True)
class BatchCalibration:
    """Calibrates one batch for an account."""

    store: Store
    by: str
    batch: str

    def fit(self, run: str, fit: Fit, report: Callable[[int, int], None]) -> Chart:
        """Fit the chart with the profile of a print run (its id), and register it as a draft.

        Raises MismatchError where the store lacks what a fit needs, FileError where the standards do not suffice.
        """
        known = standards_of(self.store, self.batch)
        rows = [p for p in known.photographs if self._role(known, p) == "standard"]
        if not rows:
            raise MismatchError("no photographs of standards", where=f"batch {self.batch}", found="none",
                                allowed="photographs of the standards of the plan", remedy="add them on this page")
        strip, card = self.layouts()
        with TemporaryDirectory() as folder:
            names = dict(self._written(Path(folder), rows))
            table = written_table(list(self._rows(known, rows, names)), strip)
            (Path(folder) / TABLE).write_text(table, encoding="utf-8")
            excluded = tuple(ExcludedPhotograph(photo=names[p.photograph], why=p.excluded) for p in rows if p.excluded)
            chart = fit(FitOrder(folder=folder, batch=self.batch, card=card, strip=strip, excluded=excluded,
                                 profile=self.store.get(PrintRun, run).text), report)
        register_chart(self.store, self.by, chart)
        return chart

    def check(self, chart: Chart, executor: Executor = SERIAL) -> int:
        """Evaluate the batch's photographs of check standards on a chart; return how many have a reading on it."""
        known = standards_of(self.store, self.batch)
        photographs = [p for p in known.photographs if self._role(known, p) == "check" and not p.excluded]
        received = [ReceivedCheck(self.store.get(Photograph, p.photograph), self._row(known, p, p.name))
                    for p in photographs]
        for _ in read_checks(self.store, self.by, received, executor):
            pass
        readings = [r for p in photographs if (r := last_reading(self.store, p.photograph)) is not None]
        stale = [r.id for r in readings if r.chart != chart.id]
        onto = ReanalysisOptions(chart=chart, by=self.by, why=f"check of chart {chart.id[:12]}")
        for _ in reevaluate(self.store, stale, onto, executor):
            pass
        return len(readings)

    def layouts(self) -> tuple[StripType, CardLayout]:
        """Return strip type and card: those of another chart of this strip type, else the supplied ones."""
        name = self.store.get(Batch, self.batch).strip
        if name == default_strip().name:
            return default_strip(), default_card()
        for batch in self.store.find(Batch, strip=name):
            for stored in self.store.find(StoredChart, batch=batch.id):
                return stored.chart.strip, stored.chart.card
        raise MismatchError("the strip type is unknown", where=f"batch {self.batch}", found=name,
                            allowed=f"{default_strip().name}, or a strip type with a registered chart",
                            remedy="calibrate with `stripread calibrate --strip FILE.json` and register the chart")

    def _written(self, folder: Path, rows: Sequence[StandardPhotograph]) -> Iterator[tuple[str, str]]:
        """Write the photographs; yield their id and file name, which the chart records: the given one made safe."""
        taken = {"", ".", "..", TABLE}
        for p in rows:
            name = _UNSAFE.sub("_", p.name)[-_NAME_LETTERS:]
            name = name if name not in taken else f"{p.photograph[:8]}-{name}"
            taken.add(name)
            (folder / name).write_bytes(self.store.photographs.get(p.photograph))
            yield p.photograph, name

    def _rows(self, known: StandardsSet, rows: Sequence[StandardPhotograph], names: dict[str, str]
              ) -> Iterator[StandardRow]:
        return (self._row(known, p, names[p.photograph]) for p in rows)

    @staticmethod
    def _row(known: StandardsSet, p: StandardPhotograph, name: str) -> StandardRow:
        solution = known.solution(p.standard)
        values = {} if solution is None else {a: CertifiedValue(v.value, v.u) for a, v in solution.values.items()}
        return StandardRow(Path(name), p.standard, "standard" if solution is None else solution.role, p.light, values)

    @staticmethod
    def _role(known: StandardsSet, p: StandardPhotograph) -> str:
        solution = known.solution(p.standard)
        return "" if solution is None else solution.role

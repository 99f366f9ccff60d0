"""What the program does with a mutated document: it is used or refused; anything else that is raised is a fault."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Final, Literal

import msgspec
import numpy as np

from assess.equipment import load_equipment
from assess.limits import load_limits
from calibration.chart import Chart
from calibration.standards import read_standards
from shared.card import CardLayout, default_card
from shared.errors import InputError
from shared.files import decode_json
from shared.profile import read_profile
from shared.strip import StripType, default_strip
from stripread.exchange.csv_import import records_of
from stripread.exchange.import_records import import_all
from stripread.reading import observe
from stripread.reading.photo import Photo
from stripread.reading.photo_file import load_photo
from stripread.reading.read import to_reading
from stripread.store.settings import FILE_VARIABLE, load_settings
from stripread.store.store import Store
from tests.hostile.texts import mutated_json, mutated_text
from tests.photographs import SAMPLES

Outcome = Literal["used", "refused"]
ROOT: Final = Path(__file__).parents[2]
#: Letters of a message that a person still reads.
_MOST_LETTERS: Final = 3000
SETTINGS: Final = b"""database = "sqlite:///records.sqlite"
photographs = "photographs"
[review]
share = 0.05
days = 90
two_reviewers = true
[issuer]
name = "Invented Laboratory"
"""


@dataclass
class Documents:
    """Trials in a folder of their own: a chart as JSON, and a store into which tables are imported."""

    folder: Path
    chart: bytes
    store: Store
    account: str
    _seen: dict[bytes, observe.Observation | observe.NoObservation] = field(default_factory=dict)

    def trial(self, number: int) -> tuple[str, Outcome]:
        """The kind of the document of that number, and what came of it."""
        kind = list(_KINDS)[number % len(_KINDS)]
        try:
            _KINDS[kind](self, number)
        except InputError as refused:
            if len(refused.message) > _MOST_LETTERS:
                raise AssertionError(f"a message of {len(refused.message)} characters") from refused
            return kind, "refused"
        return kind, "used"

    def read_on_chart(self, number: int) -> None:
        """A photograph is read on the chart; whatever values come are finite."""
        chart = decode_json(mutated_json(self.chart, number), Chart, where="the chart")
        profile = read_profile(SAMPLES / "card-run-007.txt")
        profile.check_against(chart.card)
        reading = to_reading(self.photo, self._observed(chart), chart)
        numbers = [n for pad in reading.pads for n in (pad.value, pad.low, pad.high) if n is not None]
        if not np.isfinite(numbers).all():
            raise AssertionError(f"values that are not finite: {numbers}")
        msgspec.json.encode(reading)

    def _observed(self, chart: Chart) -> observe.Observation | observe.NoObservation:
        """The photograph observed with the chart's card and strip, once for all charts that share them."""
        key = msgspec.json.encode((chart.card, chart.strip))
        if key not in self._seen:
            profile = read_profile(SAMPLES / "card-run-007.txt")
            self._seen[key] = observe.observe(self.photo, chart.card, chart.strip, [profile])
        return self._seen[key]

    @cached_property
    def photo(self) -> Photo:
        """A photograph with nothing wrong."""
        return load_photo(SAMPLES / "standards" / "C02-window.jpg")

    def card_or_strip(self, number: int) -> None:
        """A card's or strip's definition."""
        if number % 2:
            decode_json(mutated_json(msgspec.json.encode(default_card()), number), CardLayout, where="the card")
        else:
            decode_json(mutated_json(msgspec.json.encode(default_strip()), number), StripType, where="the strip")

    def profile(self, number: int) -> None:
        """A card profile."""
        path = self._written("profile.txt", mutated_text((SAMPLES / "card-run-007.txt").read_bytes(), number))
        read_profile(path).check_against(default_card())

    def standards(self, number: int) -> None:
        """A standards table, with the photographs that it names in place."""
        table = (SAMPLES / "standards" / "standards.csv").read_bytes()
        names = [line.split(b",")[0] for line in table.splitlines()[1:]]
        for name in filter(None, names):
            (self.folder / name.decode()).touch()
        path = self._written("standards.csv", mutated_text(table, number))
        read_standards(path, {pad.analyte: pad.unit for pad in default_strip().pads})

    def machine(self, number: int) -> None:
        """A machine, or limits."""
        data = ROOT / "assess" / "data"
        sources = sorted((*(data / "equipment").glob("*.toml"), *(data / "limits").glob("*.toml")))
        source = sources[number // len(_KINDS) % len(sources)]
        path = self._written("machine.toml", mutated_text(source.read_bytes(), number))
        (load_equipment if source.parent.name == "equipment" else load_limits)(str(path))

    def settings(self, number: int) -> None:
        """The settings file."""
        path = self._written("settings.toml", mutated_text(SETTINGS, number))
        load_settings({FILE_VARIABLE: str(path), "HOME": str(self.folder)})

    def sheet(self, number: int) -> None:
        """A table of the sample company, imported into the store: all of it or nothing."""
        sources = sorted((SAMPLES / "company").glob("*.csv"))
        source = sources[number // len(_KINDS) % len(sources)]
        path = self._written(source.name, mutated_text(source.read_bytes(), number))
        import_all(self.store, records_of([path], self.store.clock()), by=self.account, why="trial")

    def _written(self, name: str, data: bytes) -> Path:
        path = self.folder / name
        path.write_bytes(data)
        return path


_KINDS: Final[dict[str, Callable[[Documents, int], None]]] = {
    "chart": Documents.read_on_chart, "profile": Documents.profile, "standards table": Documents.standards,
    "machine or limits": Documents.machine, "settings": Documents.settings, "sheet": Documents.sheet,
    "card or strip": Documents.card_or_strip}

"""A reader of made pictures: the whole way from a file's bytes to a reading, without a file system."""

from dataclasses import dataclass

from calibration.chart import Chart
from shared.profile import PrintProfile
from stripread.reading.observe import Observation, observe
from stripread.reading.photo import SHOWN_PX, decode
from stripread.reading.read import to_reading
from stripread.reading.result import PadReading, Reading
from tests.photographs import Picture, file_of


@dataclass(frozen=True)
class Reader:
    """Reads pictures, or the bytes of files, on a chart with the profiles of print runs."""

    chart: Chart
    profiles: tuple[PrintProfile, ...]

    def read(self, what: Picture | bytes, least_px: int = SHOWN_PX) -> Reading:
        """The reading of a picture; ``least_px`` as of `decode`."""
        photo = decode(what if isinstance(what, bytes) else file_of(what.pixels, "PNG"), "made.png", least_px)
        return to_reading(photo, observe(photo, self.chart.card, self.chart.strip, self.profiles), self.chart)

    def observe(self, what: Picture) -> Observation:
        """What is seen in a picture that can be read."""
        photo = decode(file_of(what.pixels, "PNG"), "made.png")
        seen = observe(photo, self.chart.card, self.chart.strip, self.profiles)
        assert isinstance(seen, Observation)
        return seen


def pad(reading: Reading, analyte: str) -> PadReading:
    """One pad of a reading."""
    return next(p for p in reading.pads if p.analyte == analyte)


def all_flags(reading: Reading) -> set[str]:
    """Flags of the photograph and of its pads."""
    return set(reading.flags).union(*(p.flags for p in reading.pads))


def shifts(reading: Reading, other: Reading) -> dict[str, float]:
    """How far each value that both give lies from the other's, in whole intervals of the wider of the two."""
    values = {e.analyte: e for e in other.values()}
    pairs = [(e, values[e.analyte]) for e in reading.values() if e.analyte in values]
    return {a.analyte: abs(a.value - b.value) / max(a.high - a.low, b.high - b.low) for a, b in pairs}

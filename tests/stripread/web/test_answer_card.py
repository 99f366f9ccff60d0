"""What the answer to a photograph states about a second strip."""

import re

import pytest

from shared.estimate import Z95, Part
from shared.notation import Notation
from stripread.reading.assessment import assess
from stripread.reading.result import PadReading, Provenance, Reading
from stripread.web.answer_card import SecondStrip, _second_strip, verdict_line


def only_hardness(hardness: float, random: float, shared: float) -> Reading:
    """Return the reading of a strip that shows only hardness."""
    half = Z95 * float((random**2 + shared**2) ** 0.5)
    pad = PadReading(
        analyte="hardness", unit="mg/L CaCO3", lab=None, lab_covariance=None, px=(0.0, 0.0),
        outline_px=((0.0, 0.0),) * 4, status="measured", value=hardness, low=hardness - half, high=hardness + half,
        budget=(Part(name="pad pixels", u=random, shared=False), Part(name="chart", u=shared, shared=True)))
    made = Provenance(software="", photo_sha256="p", pixels_sha256="p", chart="c", batch="c", profile="")
    return Reading(photo="a.jpg", status="measured", reason="", flags=(), provenance=made, pads=(pad,))


def second_strip(hardness: float, random: float, shared: float) -> SecondStrip | None:
    """The statement for such a strip, assessed for the default machine."""
    reading = only_hardness(hardness, random, shared)
    return _second_strip(reading, assess(reading), Notation())


def test_the_verdict_names_what_was_not_measured() -> None:
    """Hardness is clear; the line names the quantities that the other criteria need."""
    assert re.fullmatch(r"Inconclusive: [a-zA-Z ,]+( and \d more)? not measured",
                        verdict_line(assess(only_hardness(60.0, 1.0, 1.0))))


def test_the_gain_of_a_second_strip() -> None:
    """Half-widths by hand: 1.96 (36 + 1)^1/2 = 11.9 and 1.96 (18 + 1)^1/2 = 8.5; neither certain nor hopeless."""
    found = second_strip(84.0, 6.0, 1.0)
    assert found is not None
    assert (found.name, found.now, found.then) == ("total hardness", "12", "8.5")
    assert 5 <= found.percent <= 95


@pytest.mark.parametrize(("random", "shared"), [(0.5, 5.0), (0.0, 5.0)])
def test_no_chance_where_strips_reduce_nothing(random: float, shared: float) -> None:
    found = second_strip(85.0, random, shared)
    assert found is not None
    assert found.percent == 0


def test_nothing_where_the_verdict_is_clear() -> None:
    assert second_strip(60.0, 1.0, 1.0) is None

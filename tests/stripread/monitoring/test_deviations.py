"""Sentences on deviations: value, limit, and the bound where a value is beyond the range of its strip."""

import msgspec
import pytest

from shared.estimate import Status
from shared.notation import PLAIN
from stripread.monitoring.assessed_water import Deviation
from stripread.monitoring.next_action import deviation_words
from stripread.web.sites_view import deviation_text

HARD = Deviation(name="total hardness", place="", severity="cup", verdict="out-of-limits", value=400.0, low=370.0,
                 high=430.0, unit="mg/L CaCO3", at_least=40.0, at_most=90.0, distance=3.4)
ACID = msgspec.structs.replace(HARD, name="pH", value=6.0, low=0.0, high=6.1, unit="pH", at_least=7.0, at_most=8.0,
                               status="below")


@pytest.mark.parametrize(("deviation", "status", "words", "text"), [
    (HARD, "measured", "total hardness 400 mg/L CaCO3 (370 to 430), at most 90",
     "Total hardness: 400 mg/L CaCO3, at most 90"),
    (HARD, "above",
     "total hardness at least 370 mg/L CaCO3 (above the range, which ends at 400), permitted: at most 90",
     "Total hardness: at least 370 mg/L CaCO3, permitted: at most 90"),
    (ACID, "below", "pH at most 6.1 (below the range, which begins at 6), permitted: at least 7",
     "pH: at most 6.1, permitted: at least 7"),
])
def test_a_deviation_states_value_and_limit(deviation: Deviation, status: Status, words: str, text: str) -> None:
    deviation = msgspec.structs.replace(deviation, status=status)
    assert deviation_words(deviation) == words
    assert deviation_text([deviation], PLAIN) == text

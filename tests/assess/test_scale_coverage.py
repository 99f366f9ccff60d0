"""The interval of the scale contains what a full analysis gives, whatever a strip leaves unmeasured."""

import numpy as np

from assess.equipment import Equipment
from tests.assess.full_analyses import covered


def test_the_interval_contains_the_full_calculation(espresso: Equipment) -> None:
    """Of 95 % intervals; 120 waters here, 1000 in `make soak` (93 to 97 %): four standard errors are allowed."""
    share = np.mean(covered(120, espresso), axis=0)
    assert np.all(share > 0.95 - 4 * 0.02)

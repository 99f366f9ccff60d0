"""Waters, machines and judges for the tests of decisions."""

import csv
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from assess.criteria import criteria_for
from assess.decision import DecisionRule
from assess.draws import DrawnFeed, draw
from assess.equipment import Boiler, Equipment, load_equipment
from assess.inputs.sample import completed
from assess.inputs.text import sample_from_typed
from assess.judgement import Judge, Judgement
from assess.limits import load_limits
from assess.treatment_trial import TreatmentSimulator

DATA = Path(__file__).parents[1] / "data"


@pytest.fixture(scope="session")
def rows() -> Callable[[str], list[dict[str, str]]]:
    """The rows of a table of tests/data."""
    def read(name: str) -> list[dict[str, str]]:
        lines = (DATA / name).read_text(encoding="utf-8").splitlines()
        found = list(csv.DictReader(line for line in lines if not line.startswith("#")))
        assert found, name
        return found
    return read


@pytest.fixture(scope="session")
def espresso() -> Equipment:
    return load_equipment("two-boiler-espresso")


#: A water that suits machine and cup, read as well as a laboratory can (invented).
GOOD = {"hardness": "60 ± 3 mg/L CaCO3", "alkalinity": "45 ± 3 mg/L CaCO3", "ph": "7.5 ± 0.1",
        "chloride": "15 ± 2 mg/L", "chlorine": "0.05 ± 0.03 mg/L", "calcium": "18 ± 0.5 mg/L",
        "sulfate": "10 ± 1 mg/L", "temperature": "18 ± 0.5 °C"}


class Tap:
    """A tap by typed values (those of GOOD where not given; None: not measured), drawn with a fixed seed."""

    def __init__(self, equipment: Equipment, n: int, **texts: str | None) -> None:
        given = {k: v for k, v in (GOOD | texts).items() if v is not None}
        self.sample = sample_from_typed(given)
        self.inputs = completed(self.sample)
        self.drawn: DrawnFeed = draw(self.inputs, np.random.default_rng(7), n)
        self.judge = Judge(DecisionRule(), self.inputs)
        self.equipment, self.limits = equipment, load_limits()

    def judged(self) -> dict[str, Judgement]:
        """Every criterion's judgement by id."""
        return {j.id: j for j in self.judge.judge(criteria_for(self.equipment, self.limits), self.drawn)}

    def bench(self) -> TreatmentSimulator:
        return TreatmentSimulator(self.equipment, self.limits, self.judge, self.drawn.feed)


@pytest.fixture(scope="session")
def tap(espresso: Equipment) -> Callable[..., Tap]:
    def make(equipment: Equipment = espresso, n: int = 1500, **texts: str | None) -> Tap:
        return Tap(equipment, n, **texts)
    return make


@pytest.fixture(scope="session")
def machine() -> Callable[[Sequence[Boiler]], Equipment]:
    """A machine of given boilers."""
    return lambda boilers: Equipment(name="test bench", boilers=tuple(boilers))

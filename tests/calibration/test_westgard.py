from pathlib import Path

import numpy as np
import pytest

from calibration.westgard import RULES, ewma, fired

DATA = Path(__file__).parents[1] / "data"


Places = dict[str, list[tuple[int, ...]]]


def rules_of(z: list[float], *, runs: str = "", standards: str = "") -> Places:
    """Rules that fire and their places; a letter a result names its run and its standard."""
    run = list(runs) or [str(i) for i in range(len(z))]
    found: Places = {}
    for f in fired(np.array(z), runs=run, standards=list(standards) or ["S"] * len(z)):
        found.setdefault(f.rule, []).append(f.at)
    return found


@pytest.mark.parametrize(("z", "expected"), [
    ([0.5, 1.9, -1.9], {}),
    ([0.0, 2.1], {"1-2s": [(1,)]}),
    ([-3.1], {"1-2s": [(0,)], "1-3s": [(0,)], "EWMA": [(0,)]}),
    ([2.1, 2.2], {"1-2s": [(0,), (1,)], "2-2s": [(0, 1)], "EWMA": [(1,)]}),
    ([2.1, -2.2], {"1-2s": [(0,), (1,)]}),
    ([1.1, 1.2, 1.1, 1.3], {"4-1s": [(0, 1, 2, 3)]}),
    ([1.1, 1.2, 0.9, 1.3], {}),
    ([-0.1] * 9, {}),
    ([-0.1] * 10, {"10-x": [tuple(range(10))]}),
    ([0.1] * 5 + [-0.1] + [0.1] * 5, {}),
])
def test_rules_fire_on_the_sequences_that_define_them(z: list[float], expected: Places) -> None:
    """Westgard et al. 1981, table 1 (PMC3909142); the sequences are ours, after its definitions."""
    assert rules_of(z) == expected


def test_opposed_results_count_within_one_run_only() -> None:
    """Our stated reading of R-4s: above +2 s and below -2 s, not merely 4 s apart."""
    assert "R-4s" in rules_of([2.1, -2.1], runs="aa", standards="ST")
    assert "R-4s" not in rules_of([2.1, -2.1], runs="ab", standards="ST")
    assert "R-4s" not in rules_of([2.9, -1.5], runs="aa", standards="ST")


def test_rows_look_along_each_standard_and_across_all() -> None:
    across = rules_of([2.1, 2.2], standards="ST")
    along = rules_of([2.1, 0.0, 2.2], standards="STS")
    assert across["2-2s"] == [(0, 1)]
    assert along["2-2s"] == [(0, 2)]
    assert "2-2s" not in rules_of([2.1, 0.0, 2.2])


def test_weighted_average_of_the_nist_handbook() -> None:
    result, published = np.loadtxt(DATA / "nist-handbook-ewma.csv", delimiter=",", unpack=True)
    average, limit = ewma(result - 50, weight=0.3)
    assert 50 + average == pytest.approx(published, abs=0.006)
    assert 50 + 2.0539 * limit[-1] == pytest.approx(52.5884, abs=1e-4)


def test_false_alarms_are_as_rare_as_the_normal_distribution_predicts() -> None:
    z = np.random.default_rng(1981).normal(size=20_000)
    found = [f.rule for f in fired(z, runs=[str(i) for i in range(len(z))], standards=["S"] * len(z))]
    # 1 in 22 and 1 in 370; three standard deviations of a binomial.
    assert found.count("1-2s") == pytest.approx(0.0455 * len(z), abs=3 * 29.5)
    assert found.count("1-3s") == pytest.approx(0.0027 * len(z), abs=3 * 7.4)


def test_every_rule_states_its_usual_cause() -> None:
    assert all(r.says and r.usually for r in RULES.values())

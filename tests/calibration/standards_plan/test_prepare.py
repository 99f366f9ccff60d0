"""What a plan turns into, and what it says of a plan that cannot be."""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt
from pathlib import Path

import pytest

from calibration.standards_plan.instructions import Remark, order_of_work, remarks
from calibration.standards_plan.preparation import Preparation, Solution, Value, chemistry, prepare
from calibration.standards_plan.uncertainty import nominal
from shared.errors import InputError
from tests.loops import some

Plan = Callable[..., Path]


def printed(made: Preparation) -> dict[str, Remark]:
    return {r.kind.id: r for r in remarks(made, chemistry(made.solutions, made.plan.temperature_c))}


def solution(made: Preparation, name: str) -> Solution:
    return next(s for s in made.solutions if s.id == name)


def value(made: Preparation, name: str, analyte: str) -> Value:
    found = solution(made, name).value(analyte)
    assert found is not None
    return found


def test_levels_are_reached(made: Preparation) -> None:
    """To the step of a burette: within 0.6 % of what was wanted, and every one within its uncertainty of nothing."""
    for s in some(made.solutions):
        for v in some(s.values):
            assert v.certified is not None
            assert v.certified[0] == pytest.approx(v.wanted, rel=6e-3, abs=1e-12), (s.id, v.analyte)
            assert v.certified[1] > 0


def test_a_solution_by_hand(made: Preparation) -> None:
    """H02: 1.11 ml of 9.95 g/L pure CaCl2·2H2O and 28 ml of 9.99 g/L NaCl to 500 ml, by the weights on the labels."""
    calcium, salt = 9.95 / 147.014 * 1.11 / 500, 9.99 / 58.4428 * 28 / 500
    assert value(made, "H02", "hardness").certified == pytest.approx((calcium * 100086, 0.25), abs=0.01)
    assert value(made, "H02", "chloride").certified == pytest.approx(((2 * calcium + salt) * 35453, 0.52), abs=0.01)


def test_hypochlorite_counts_what_was_titrated(made: Preparation) -> None:
    """By hand: 8.5167 ml of 0.01 mol/L for 25 ml, 120.8 mg/L Cl2 (1 ml of 0.1 mol/L is 3.545 mg: Standard Methods)."""
    chlorine = 3.545 * 8.51667 / 10 / 25 * 1000
    draw = next(a.draw for a in solution(made, "A05").recipe.aliquots if a.stock.id == "chlorine")  # type: ignore[union-attr]
    assert value(made, "A05", "chlorine").certified is not None
    assert value(made, "A05", "chlorine").certified == pytest.approx(
        (chlorine * draw.total_ml / 500, 0.023), rel=2e-3, abs=3e-3)
    ions = solution(made, "A05").composition(nominal)
    assert float(ions["Cl"]) == pytest.approx(float(ions["OCl"]))
    assert "not-standardised" not in printed(made)


def test_hypochlorite_not_titrated_certifies_nothing(plan: Plan) -> None:
    made = prepare(plan())
    assert value(made, "A05", "chlorine").certified is None
    assert value(made, "A05", "alkalinity").certified is None
    assert value(made, "A01", "chlorine").certified == (0.0, 0.01)
    assert printed(made)["not-standardised"].items == tuple(f"A{n:02d}" for n in range(2, 11))


def test_what_the_stocks_cannot_reach_bends(plan: Plan) -> None:
    """70 % of 60 mg/L CaCO3 as CaCl2 brings 0.70845 mg Cl each (42 x 0.70845 = 29.75): no less can be had."""
    made = prepare(plan(("levels = [40, 75, 180]", "levels = [20, 75, 180]")))
    assert value(made, "C01", "chloride").certified == pytest.approx((29.75, 0.24), rel=5e-3, abs=0.01)
    assert value(made, "C01", "hardness").certified == pytest.approx((60, 0.32), rel=5e-3, abs=0.05)
    assert printed(made)["not-reached"].items == ("C01: chloride 20, the least is 29.8 mg/L Cl",)


def test_a_weaker_stock_and_what_was_weighed(plan: Plan) -> None:
    """A tenth of a stock gives a tenth; a mass weighed 1 % high gives 1 % more."""
    weaker = '[[dilution]]\nid = "weak salt"\nof = "salt"\ntake_ml = 10\nflask = "F100-2"\n'
    change = ('stocks = ["calcium", "magnesium", "salt"]', 'stocks = ["calcium", "magnesium", "weak salt"]')
    made = prepare(plan(change, ("90, 350, 0, 150, 20, 500, 35, 60, 10, 250", "90, 25, 0, 40, 20, 80, 35, 60, 10, 250"),
                        ("levels = [0, 15, 30, 50, 75, 100, 150, 225, 325, 425]",
                         "levels = [0, 15, 30, 50, 75, 100, 150, 225, 325, 425]"), more=weaker))
    stocks = made.shelf.stocks
    weak, strong = (float(stocks[s].composition(nominal)["Cl"]) for s in ("weak salt", "salt"))
    assert weak == pytest.approx(strong / 10)
    heavy = prepare(plan(("strength_g_l = 4\n", "strength_g_l = 4\nweighed_g = 4.04\n")))
    soda = [float(m.shelf.stocks["soda"].composition(nominal)["HCO3"]) for m in (heavy, made)]
    assert soda[0] == pytest.approx(1.01 * soda[1])


REFERENCE = """
[[reference]]
solution = "H04"
analyte = "hardness"
value = {value}
u = 0.02
unit = "°dH"
method = "EDTA titration"
"""


def test_a_reference_value_is_used(plan: Plan) -> None:
    """2.79 °dH is 49.80 mg/L CaCO3 (17.848): it is used, and the preparation agrees with it."""
    made = prepare(plan(more=REFERENCE.format(value=2.79)))
    found = value(made, "H04", "hardness")
    assert found.certified == pytest.approx((49.80, 0.357), abs=0.01)
    assert found.prepared is not None
    assert found.zeta == pytest.approx((49.80 - found.prepared.value) / sqrt(0.357**2 + found.prepared.u**2), abs=0.02)
    assert "disagrees" not in printed(made)


def test_a_reference_far_from_the_preparation_is_reported(plan: Plan) -> None:
    found = printed(prepare(plan(more=REFERENCE.format(value=3.1))))
    assert "H04 hardness: reference 55.33" in found["disagrees"].items[0]


def test_warnings_of_the_plan_that_ships(made: Preparation) -> None:
    """Twice 120 and 90 mg/L CaCO3 and up scale in air, and half the alkaline ones drift."""
    found = printed(made)
    assert [item[:3] for item in found["calcite"].items] == ["C02", "C03"]
    assert {item[:3] for item in found["ph-drift"].items} >= {"A02", "A10", "C03"}
    assert found["hypochlorite-fades"].items == tuple(f"A{n:02d}" for n in range(2, 11))
    assert found["weak-alkalinity"].items == ("A01", "A02")


def test_light_weighing_and_an_unmeasured_water_are_reported(plan: Plan) -> None:
    found = printed(prepare(plan(("smallest_mg = 100", "smallest_mg = 5000"),
                              ('chloride = { u = 0.2, unit = "mg/L Cl" }', ""))))
    assert found["too-light"].items == ("soda: 4000 mg, at least 5000 mg",)
    assert found["no-blank"].items == ("chloride",)


def test_work_is_in_order(made: Preparation) -> None:
    """Stocks before what is made of them; hypochlorite after everything that lasts."""
    titles = [step.title for step in order_of_work(made)]
    assert titles == ["Preparation", "Stock solutions", "Hardness with chloride", "Check, like a tap water",
                      "Hypochlorite, on the day it is used", "Alkalinity with free chlorine", "Buffers", "Photograph"]
    lines = [line for step in order_of_work(made) for line in step.lines]
    assert sum(line.startswith(("H", "A", "C")) and ", to 500 ml in F500-1" in line for line in lines) == 23


def test_a_buffer_by_its_tolerance_and_temperature(made: Preparation) -> None:
    """Rectangular (JCGM 100:2008, 4.3.7): 0.02 / sqrt 3, with 4 K of 0.008 / K for P05."""
    assert value(made, "P01", "ph").certified == pytest.approx((6.0, 0.02 / sqrt(3)))
    assert value(made, "P05", "ph").certified == pytest.approx((9.0, sqrt(0.02**2 + 0.032**2) / sqrt(3)))


H_LEVELS = "levels = [0, 15, 30, 50, 75, 100, 150, 225, 325, 425]"
C_LEVELS = "levels = [60, 120, 220]"


@pytest.mark.parametrize(("old", "new", "said"), [
    ("strength_g_l = 4\n", "strength_g_l = -4\n", r"stock\[3\].strength_g_l.*found -4"),
    ("strength_g_l = 4\n", "strength_g_l = 4\nweighed_g = 40.2\n", "found 40.2 g; allowed: about 4 g"),
    ("strength_g_l = 4\n", "strength_g_l = 400\n",
     "heavier than the balance can weigh; found 400 g; allowed: up to 220"),
    ("strength_g_l = 4\n", "strength_g_l = 0.2\n",
     r"family\[1\], A05, aliquot of soda: no pipette or burette .* found 197.2 ml"),
    ("strength_g_l = 4\n", "strength_g_l = 0.005\n",
     "A02, aliquot of soda: the aliquot is larger than the flask; found 1551 ml; allowed: up to 500 ml"),
    ("strength_g_l = 4\n", "strength_g_l = 4\nstrenght = 1\n", "field `strenght`.*strength_g_l"),
    (H_LEVELS, 'levels = [0, "3 °dH", 30, 50, 75, 100, 150, 225, 325, 425]',
     r"hardness\[1\].*'3 °dH'.*column has one unit"),
    (H_LEVELS, "levels = [0, 30, 15, 50, 75, 100, 150, 225, 325, 425]", "out of order; found 15 after 30"),
    (H_LEVELS, "levels = [0, 15, 15, 50, 75, 100, 150, 225, 325, 425]", "a level occurs twice; found 15"),
    (H_LEVELS, "levels = [0, -15, 30, 50, 75, 100, 150, 225, 325, 425]", "impossible; found -15"),
    (H_LEVELS, "levels = [0, nan, 30, 50, 75, 100, 150, 225, 325, 425]", r"levels\[1\]: expected .*null"),
    (H_LEVELS, "levels = [0, 15]", "differ in length; found hardness 2, chloride 10"),
    (H_LEVELS, 'levels = [0]}\nxhardness = { unit = "mg/L", levels = []', "cannot be made from salts; found xhardness"),
    ('hardness = { unit = "mg/L CaCO3", levels = [0', 'hardness = { unit = "mg/L", levels = [0',
     "does not state the substance"),
    ('stocks = ["calcium", "magnesium", "salt"]', 'stocks = ["kalzium"]', "found kalzium; allowed: calcium, magnesium"),
    ('stocks = ["calcium", "magnesium", "salt"]', 'stocks = ["salt"]', "no stock of this family contains hardness"),
    ('salt = "NaCl"', 'salt = "KCl"', r"stock\[2\].salt: no item of the plan has this name; found KCl"),
    ('formula = "CaCl2·2H2O"', 'formula = "CaCl2"', r"salt\[0\].*not state its crystal water; found CaCl2"),
    ('flask = "F500-1"\n[family.levels]', 'flask = "F50"\n[family.levels]', "found F50; allowed: F1000-1, F500-1"),
    ('id = "F100-2"', 'id = "F500-1"', r"ID is used twice \(flask\).*found F500-1"),
    ('id = "magnesium"', 'id = "calcium"', r"ID is used twice \(stock\).*found calcium"),
    ('id = "P01"', 'id = "H01"', r"ID is used twice \(solution\).*found H01"),
    ("take_ml = 2.5", "take_ml = 2500",
     r"hypochlorite\[0\].take_ml: the aliquot is larger than the flask; found 2500 ml"),
    ("lowest_ml = 0.5", "lowest_ml = 4", "no pipette or burette of the plan measures this volume; found 1.042 ml"),
    ("step_ml = 0.01", "step_ml = 0.7", "step_ml must be at most lowest_ml"),
    ('format = "standards-plan/1"', 'format = "standards-plan/9"', "standards-plan/9.*allowed: 'standards-plan/1'"),
    ('format = "standards-plan/1"', "format = ", "is not valid TOML"),
    ('batch = "demo-24"', 'batch = "a;b"', "batch.*found 'a;b'"),
    ("purity = 0.998", "purity = 99.8", r"salt\[2\].purity.*found 99.8"),
    ("ph = 9.00", "ph = 19", r"buffer\[4\].ph.*found 19"),
])
def test_a_plan_that_cannot_be_is_reported(plan: Plan, old: str, new: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        prepare(plan((old, new)))
    assert "plan.toml" in str(caught.value)


def test_aliquots_that_overflow_together_are_reported(plan: Plan) -> None:
    """A10: 8 ml of chlorine and 496 ml of a soda so weak do not go into 500 ml."""
    with pytest.raises(InputError, match=r"A10: the aliquots are larger than the flask; found 8 ml chlorine \+ 495"):
        prepare(plan(("strength_g_l = 4\n", "strength_g_l = 0.405\n"), ("highest_ml = 50\n", "highest_ml = 500\n")))


@pytest.mark.parametrize(("new", "said"), [
    ("titres_ml = []", "titres_ml"), ('burette = "P10-3"', "needs a burette; found P10-3"),
    ("blank_ml = 9", "titre is not below those of the sample"), ("portion_ml = 20", "cannot measure this portion"),
])
def test_a_titration_that_cannot_be_is_reported(titrated: Path, new: str, said: str) -> None:
    key = new.partition(" = ")[0]
    lines = [new if line.startswith(key) else line for line in titrated.read_text("utf-8").splitlines()]
    titrated.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(InputError, match=said):
        prepare(titrated)


@pytest.mark.parametrize(("old", "new", "said"), [
    ('solution = "H04"', 'solution = "H99"', "found H99; allowed: H01, H02"),
    ('analyte = "hardness"', 'analyte = "tds"', "no such analyte: 'tds'"),
    ("u = 0.02", "u = 0", "found 0"), ('unit = "°dH"', 'unit = "mg/L"', "does not state the substance"),
])
def test_a_reference_that_cannot_be_is_reported(plan: Plan, old: str, new: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        prepare(plan(more=REFERENCE.format(value=2.79).replace(old, new)))


def test_two_references_of_one_value_are_refused(plan: Plan) -> None:
    with pytest.raises(InputError, match="two reference values"):
        prepare(plan(more=REFERENCE.format(value=2.79) + REFERENCE.format(value=2.8)))

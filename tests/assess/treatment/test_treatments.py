"""Every treatment of the shipped catalogue on a hard water, against arithmetic by hand and what it must conserve."""

from typing import Any

import numpy as np
import pytest

from assess.treatment import cautions
from assess.treatment.options import DisinfectantPresence, options, stages, treatment_of, with_carbon
from assess.treatment.treatment import TreatedWater, Treatment, Variation
from assess.treatment.unit import MineralRecipe, TreatmentUnit, load_units
from shared.errors import InputError
from shared.water import Water, WaterReading, balance_charge, larson_skold, open_to_air, speciate
from shared.water.salts import salt
from tests.loops import some

UNITS = load_units()
OPTIONS = {o.id: o for o in options(UNITS)}
T_C = 15.0


@pytest.fixture(scope="module")
def hard() -> Water:
    """W-O11 of phreeqc-waters.csv: hardness 300, alkalinity 270 mg/L CaCO3, pH 7.1 at 15 °C, 50 mg/L Cl."""
    return balance_charge(
        WaterReading(
            hardness=300.0, calcium_fraction=0.8, alkalinity=270.0, ph=7.1, chloride=50.0, sample_temperature=T_C
        )
    ).water


def run(option: Treatment, water: Water, setting: Any = 0.0) -> TreatedWater:
    return option.treat(water, setting, t_c=T_C)


def at_every_setting(option: Treatment, water: Water) -> TreatedWater:
    """Three waters, 10 % apart, at each setting: (settings, waters)."""
    grid = option.setting.grid()[:, None] if option.setting else 0.0
    return run(option, water.scaled(np.linspace(0.9, 1.1, 3)), grid)


@pytest.mark.parametrize("option", OPTIONS.values(), ids=OPTIONS)
def test_any_treatment_gives_a_neutral_water_at_every_setting(option: Treatment, hard: Water) -> None:
    treated = at_every_setting(option, hard)
    assert np.abs(treated.at_tap.charge).max() < 1e-12
    degassed = open_to_air(treated.at_tap, 25.0)
    assert degassed.alkalinity == pytest.approx(treated.at_tap.alkalinity)
    assert option.cautions
    assert len(set(option.cautions)) == len(option.cautions)


def test_what_treatments_add_is_never_negative(hard: Water) -> None:
    made = [at_every_setting(option, hard) for option in OPTIONS.values()]
    for mg_l in (*some(v for m in made for v in m.brought.values()), *some(v for m in made for v in m.dose.values())):
        assert np.all(mg_l >= 0)


@pytest.mark.parametrize("id_", ["none", "test-interval", "particle-filter", "carbon-filter", "scale-inhibitor"])
def test_filters_and_inhibitors_change_no_ion(id_: str, hard: Water) -> None:
    assert run(OPTIONS[id_], hard).at_tap is hard


def test_carbon_takes_chlorine_and_catalytic_carbon_chloramine_too(hard: Water) -> None:
    left = {i: run(OPTIONS[i], hard).disinfectant for i in ("none", "carbon-filter", "catalytic-carbon-filter")}
    assert left["none"] == (1.0, 1.0)
    assert left["carbon-filter"] == (0.0, 1.0)
    assert left["catalytic-carbon-filter"] == (0.0, 0.0)


def test_the_inhibitors_credit_is_stated_and_ends_below_steam(hard: Water) -> None:
    credit = run(OPTIONS["scale-inhibitor"], hard).credit
    assert credit is not None
    assert credit.share < 1
    assert credit.to_c < 100
    assert run(OPTIONS["weak-acid-exchange"], hard).credit is None


def test_weak_acid_exchange_with_bypass_by_hand(hard: Water) -> None:
    """0.9 of the alkalinity 270 is taken from the 0.7 that goes through: 99.9 mg/L left, 3.4 meq taken per litre."""
    option = OPTIONS["weak-acid-exchange"]
    treated = run(option, hard, 0.3)
    assert float(treated.at_tap.alkalinity_caco3) == pytest.approx(99.9, abs=0.05)
    assert float(treated.at_tap.hardness) == pytest.approx(300 - 170.1, abs=0.05)
    assert treated.load is not None
    assert float(treated.load) * 1e3 == pytest.approx(170.1 / 50.043, abs=1e-3)
    assert not treated.brought
    assert float(treated.at_tap.cl) == float(hard.cl)
    assert float(speciate(treated.at_tap, 25.0).ph) < 6.3
    assert float(speciate(open_to_air(treated.at_tap, 25.0), 25.0).ph) > 8.0


def test_softener_brings_sodium_by_hand(hard: Water) -> None:
    """0.98 of 300 mg/L at 0.4594 mg Na each: 135 mg/L; alkalinity stays."""
    treated = run(OPTIONS["sodium-softening"], hard)
    assert float(treated.brought["Na"]) == pytest.approx(0.98 * 300 * 0.4594, abs=0.05)
    assert float(treated.at_tap.alkalinity) == float(hard.alkalinity)


def test_magnesium_exchange_keeps_hardness(hard: Water) -> None:
    treated = run(OPTIONS["magnesium-exchange"], hard, 0.0)
    assert float(treated.at_tap.hardness) == pytest.approx(300.0, abs=1e-6)
    assert float(treated.at_tap.calcium_hardness) == pytest.approx(0.2 * 240, abs=0.05)
    assert list(treated.brought) == ["Mg"]


def test_osmosis_blend_by_hand(hard: Water) -> None:
    """Rejection 0.95, bypass 0.103: alkalinity 40, hardness 44.4; chloride falls, its ratio does not."""
    treated = run(OPTIONS["osmosis-blend"], hard, 0.1033)
    assert float(treated.at_tap.alkalinity_caco3) == pytest.approx(40.0, abs=0.05)
    assert float(treated.at_tap.hardness) == pytest.approx(44.4, abs=0.1)
    assert float(larson_skold(treated.at_tap)) == pytest.approx(float(larson_skold(hard)), rel=1e-6)
    assert treated.feed_per_litre is not None
    assert float(treated.feed_per_litre) == pytest.approx(0.8967 / 0.5 + 0.1033)


def test_airing_the_permeate_raises_its_ph(hard: Water) -> None:
    aired = TreatmentUnit(name="tank", kind="osmosis-blend", rejection=0.95, aired=True)
    sour, sweet = (run(o, hard, 0.1).at_tap for o in (OPTIONS["osmosis-blend"], treatment_of("tank", aired)))
    assert float(speciate(sweet, 25.0).ph) > float(speciate(sour, 25.0).ph) + 0.8


def test_calcite_gives_hardness_and_alkalinity_alike(hard: Water) -> None:
    bare, made = (run(OPTIONS[key], hard, 0.0) for key in ("osmosis-blend", "osmosis-calcite"))
    gained = float(made.at_tap.hardness - bare.at_tap.hardness)
    assert gained == pytest.approx(float(made.at_tap.alkalinity_caco3 - bare.at_tap.alkalinity_caco3))
    assert float(made.dose["CaCO3"]) == pytest.approx(gained)


def test_contact_with_calcite_gains_what_the_carbon_dioxide_allows() -> None:
    """CO2 + CaCO3 + H2O = Ca + 2 HCO3: each mg/L CO2 dissolves at most 2.274 mg/L CaCO3 (atomic weights).

    What equilibrium leaves of the CO2 and what the rising pH dissolves beyond it are small in soft, acid water.
    """
    def soft(ph: float) -> Water:
        return balance_charge(WaterReading(hardness=20.0, calcium_fraction=0.75, alkalinity=10.0, ph=ph, chloride=10.0,
                                  sample_temperature=T_C)).water

    unit = TreatmentUnit(name="bed", kind="calcite-contact", approach=1.0)
    gains = []
    for ph in (6.0, 6.2, 6.5):
        water = soft(ph)
        made = run(treatment_of("bed", unit), water, 1.0).at_tap
        gains.append(float(made.hardness - water.hardness))
        assert gains[-1] == pytest.approx(2.274 * float(speciate(water, T_C).co2_mg_l), rel=0.2)
        assert float(made.alkalinity_caco3 - water.alkalinity_caco3) == pytest.approx(gains[-1])
    assert gains == sorted(gains, reverse=True)


def test_doses_are_planned_for_the_median_and_vary_with_the_pump() -> None:
    waters = balance_charge(
        WaterReading(
            hardness=np.array([10.0, 15.0, 20.0]),
            calcium_fraction=0.8,
            alkalinity=12.0,
            ph=7.3,
            chloride=8.0,
            sample_temperature=T_C,
        )
    ).water
    made = OPTIONS["mineral-dosing"].treat(waters, 0.5, t_c=T_C, vary=Variation(dose=np.array([0.0, 0.0, 2.0])))
    # By hand: 60 - 15 mg/L CaCO3 of magnesium sulfate, 35 - 12 of bicarbonate, of the third a tenth more.
    assert made.at_tap.hardness == pytest.approx([55.0, 60.0, 20 + 1.1 * 45], abs=0.05)
    assert made.at_tap.alkalinity_caco3 == pytest.approx([35.0, 35.0, 12 + 1.1 * 23], abs=0.05)
    assert float(np.ravel(made.dose["MgSO4·7H2O"])[0]) == pytest.approx(45 * 2.46254, abs=0.05)


def test_a_train_takes_the_disinfectant_first(hard: Water) -> None:
    softener = OPTIONS["sodium-softening"]
    (train,) = (
        t for t in with_carbon(OPTIONS.values(), DisinfectantPresence(True, False, True)) if t.id == "sodium-softening"
    )
    assert [s.kind for s in stages(train)] == ["carbon-filter", "sodium-softening"]
    assert run(train, hard).disinfectant == (0.0, 1.0)
    assert float(run(train, hard).at_tap.hardness) == float(run(softener, hard).at_tap.hardness)
    catalytic = {t.id: t for t in with_carbon(OPTIONS.values(), DisinfectantPresence(True, True, True))}
    assert run(catalytic["osmosis-blend"], hard, 0.1).disinfectant == (0.0, 0.0)
    assert [s.kind for s in stages(catalytic["osmosis-blend"])] == ["carbon-filter", "osmosis-blend"]
    assert [s.kind for s in stages(OPTIONS["osmosis-blend"])] == ["particle-filter", "carbon-filter", "osmosis-blend"]


@pytest.mark.parametrize("option", OPTIONS.values(), ids=OPTIONS)
def test_mass_is_conserved_but_for_what_is_brought_dosed_or_held_back(option: Treatment, hard: Water) -> None:
    """Chloride, sodium and hardness of the outlet are those of the tap, what the unit added, and nothing else."""
    grid = option.setting.grid()[:, None] if option.setting else 0.0
    made = run(option, hard, grid)
    membrane = option.kind.startswith("osmosis")
    exchanged = option.kind in ("weak-acid-exchange", "sodium-softening")
    assert np.all(made.at_tap.chloride_mg_l <= hard.chloride_mg_l + made.brought.get("Cl", 0.0) + 1e-9)
    if not membrane and not exchanged:
        assert np.all(made.at_tap.hardness >= hard.hardness - 1e-9)
        assert np.all(made.at_tap.chloride_mg_l >= hard.chloride_mg_l - 1e-9)
    assert np.abs(made.at_tap.charge).max() < 1e-12


def test_recipe_makes_the_water_it_names(hard: Water) -> None:
    """Permeate 7.2 Ca, 1.8 Mg, 8.1 alkalinity; target 70 (0.3 Mg) and 40: 61.4, 47.3 and 53.55 mg/L (by hand).

    The same example as RM-O1 of phreeqc-remineralisation.csv.
    """
    recipe = MineralRecipe(
        hardness=70.0, alkalinity=40.0, magnesium_share=0.3,
        calcium_salt="CaCl2·2H2O", magnesium_salt="MgSO4·7H2O", alkalinity_salt="NaHCO3",
    )  # fmt: skip
    unit = TreatmentUnit(name="recipe", kind="osmosis-doses", rejection=0.97, recipe=recipe)
    treated = run(treatment_of("recipe", unit), hard, 1.0)
    expected = {"CaCl2·2H2O": 61.4, "MgSO4·7H2O": 47.3, "NaHCO3": 53.55}
    assert {k: float(v) for k, v in treated.dose.items()} == pytest.approx(expected, abs=0.05)
    assert float(treated.at_tap.hardness) == pytest.approx(70.0)
    assert float(treated.at_tap.alkalinity_caco3) == pytest.approx(40.0)
    assert float(treated.brought["Na"]) == pytest.approx(53.55 * 22.9898 / 84.0058, abs=0.02)
    half = run(treatment_of("recipe", unit), hard, 0.5)
    assert float(half.at_tap.hardness) == pytest.approx(35.0)


def test_a_weak_recipe_adds_nothing_rather_than_taking_away(hard: Water) -> None:
    treated = run(OPTIONS["osmosis-potassium-recipe"], hard, 0.0)
    assert all(float(v) == 0 for v in some(treated.dose.values()))
    assert not treated.brought


def test_potassium_and_sodium_are_cautioned() -> None:
    assert cautions.POTASSIUM in OPTIONS["osmosis-potassium-recipe"].cautions
    assert cautions.SODIUM in OPTIONS["osmosis-sodium-recipe"].cautions
    assert cautions.SODIUM not in OPTIONS["osmosis-potassium-recipe"].cautions
    assert cautions.SODIUM in OPTIONS["sodium-softening"].cautions


def test_carbon_and_membranes_carry_the_caution_on_germs() -> None:
    for option in OPTIONS.values():
        takes = option.unit is not None and (option.unit.carbon or option.unit.kind.startswith("osmosis"))
        assert (cautions.DISINFECTANT in option.cautions) == bool(takes) or option.id == "catalytic-carbon-filter"


def test_recipe_must_state_the_crystal_water(hard: Water) -> None:
    recipe = MineralRecipe(hardness=70.0, alkalinity=40.0, calcium_salt="CaCl2", alkalinity_salt="NaHCO3")
    unit = TreatmentUnit(name="vague", kind="osmosis-doses", rejection=0.97, recipe=recipe)
    with pytest.raises(InputError, match="crystal water"):
        run(treatment_of("vague", unit), hard, 1.0)


def test_shipped_recipes_use_known_salts() -> None:
    recipes = [unit.recipe for unit in UNITS.values() if unit.recipe]
    for formula in some(f for r in recipes for f in (r.calcium_salt, r.magnesium_salt) if f is not None):
        assert salt(formula).formula == formula


def test_draining_leaves_the_water_and_states_when(hard: Water) -> None:
    treated = run(OPTIONS["drain-and-refresh"], hard, 7.0)
    assert treated.at_tap is hard
    assert treated.drain is not None
    assert (treated.drain.share, float(treated.drain.days)) == (0.5, 7.0)

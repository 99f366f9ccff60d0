"""The catalogue: what ships, what a person may write, what a unit costs to keep."""

from pathlib import Path

import msgspec
import numpy as np
import pytest

from assess.equipment import Prices
from assess.running_cost import UnitInUse, yearly_cost
from assess.treatment.options import treatment_of
from assess.treatment.unit import MineralRecipe, TreatmentUnit, load_units
from assess.treatment.upkeep import leakage_curve, upkeep
from shared.errors import FileError
from shared.water import Water, WaterReading, balance_charge
from tests.loops import some

WATER = balance_charge(
    WaterReading(hardness=250.0, calcium_fraction=0.8, alkalinity=200.0, ph=7.4, chloride=20.0, sample_temperature=15.0)
).water


def write(folder: Path, text: str) -> Path:
    path = folder / "units.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_shipped_unit_makes_a_treatment() -> None:
    for id_, unit in some(load_units().items()):
        assert treatment_of(id_, unit).id == id_


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[units.a]\nname = "a"\nkind = "magic"', "magic"),
        ('[units.a]\nname = "a"\nkind = "carbon-filter"\ncolour = "blue"', "colour"),
        ('[units.a]\nname = "a"\nkind = "osmosis-blend"', "rejection"),
        ('[units.a]\nname = "a"\nkind = "osmosis-blend"\nrejection = 1.2', "rejection"),
        ('[units.a]\nname = "a"\nkind = "osmosis-doses"\nrejection = 0.9', "recipe"),
        ('[units.a]\nname = "a"\nkind = "weak-acid-exchange"\ncapacity_eq = -1', "capacity_eq"),
        ('[units.a]\nname = "a"\nkind = "sodium-softening"\nrated_litres = 1000', "rated_at_dh"),
        ("[units.a\n", "TOML"),
    ],
)
def test_a_wrong_entry_is_named(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(FileError, match=words) as caught:
        load_units(write(tmp_path, text))
    assert "units.toml" in caught.value.where


def kept(unit: TreatmentUnit, *, setting: float, litres_per_day: float) -> tuple[float, float, float | None]:
    treated = treatment_of("unit", unit).treat(WATER, setting, t_c=15.0)
    result = upkeep(unit, treated, litres_per_day=litres_per_day)
    assert result.litres is not None
    assert result.days is not None
    cost = yearly_cost(UnitInUse(unit, treated, result, 0.0), litres_per_day=litres_per_day)
    return float(result.litres), float(result.days), cost.total


def test_upkeep_by_hand() -> None:
    """2.0 eq on alkalinity 200 mg/L (3.997 meq/L) with 30 % bypass: 715 L; at 20 L a day 35.7 days, 10.2 a year."""
    unit = TreatmentUnit(name="u", kind="weak-acid-exchange", capacity_eq=2.0, price=50.0)
    litres, days, cost = kept(unit, setting=0.3, litres_per_day=20.0)
    assert litres == pytest.approx(715, abs=1)
    assert days == pytest.approx(35.7, abs=0.1)
    assert cost == pytest.approx(50 * 365.25 / 35.74, rel=0.005)


def test_a_rating_in_litres_at_degrees_is_a_capacity() -> None:
    """561 L at 10 °dH is 2.0 eq (1 °dH is 0.35665 meq/L)."""
    unit = TreatmentUnit(name="u", kind="weak-acid-exchange", rated_litres=561.0, rated_at_dh=10.0)
    assert unit.working_eq == pytest.approx(2.0, abs=0.002)
    assert kept(unit, setting=0.3, litres_per_day=20.0)[0] == pytest.approx(715, abs=2)


def test_the_manufacturers_interval_comes_first_where_little_is_drawn() -> None:
    unit = TreatmentUnit(name="u", kind="weak-acid-exchange", capacity_eq=2.0, service_months=6.0)
    _, days, cost = kept(unit, setting=0.3, litres_per_day=1.0)
    assert days == pytest.approx(182.6, abs=0.1)
    assert cost is None


def test_the_smaller_of_two_capacities_counts() -> None:
    unit = TreatmentUnit(name="u", kind="weak-acid-exchange", capacity_eq=2.0, capacity_litres=500.0)
    assert kept(unit, setting=0.3, litres_per_day=20.0)[0] == 500.0


def test_nothing_is_known_of_a_unit_that_states_nothing() -> None:
    unit = TreatmentUnit(name="u", kind="particle-filter", price=10.0)
    result = upkeep(unit, treatment_of("u", unit).treat(WATER, 0.0, t_c=15.0), litres_per_day=20.0)
    assert (result.litres, result.days, result.parts) == (None, None, ())


def test_a_water_without_load_never_exhausts_a_resin() -> None:
    unit = TreatmentUnit(name="u", kind="sodium-softening", capacity_eq=2.0, price=10.0)
    treated = treatment_of("u", unit).treat(Water(*np.zeros(8)), 0.0, t_c=15.0)
    result = upkeep(unit, treated, litres_per_day=20.0)
    assert float(np.asarray(result.litres)) == np.inf
    assert yearly_cost(UnitInUse(unit, treated, result, 0.0), litres_per_day=20.0).total == 0.0


RECIPE = MineralRecipe(hardness=200.0, alkalinity=0.0, magnesium_share=1.0, magnesium_salt="MgSO4·7H2O",
                       alkalinity_salt="NaHCO3")


def test_consumption_and_parts_by_hand() -> None:
    """10 L a day: recovery 0.5 rejects a litre for each; 100 mg/L CaCO3 of salt; two changes of six months."""
    unit = TreatmentUnit(name="u", kind="osmosis-doses", rejection=1.0, recovery=0.5, recipe=RECIPE,
                         service_months=6.0, prefilter_months=3.0, stock_kg=1.0)
    treated = treatment_of("u", unit).treat(WATER, 0.5, t_c=15.0)
    keep = upkeep(unit, treated, litres_per_day=10.0)
    used = yearly_cost(UnitInUse(unit, treated, keep, 2.0), litres_per_day=10.0).consumption
    assert used.reject_l == pytest.approx(3652.5)
    assert used.changes == pytest.approx(2.0)
    # 100 mg/L CaCO3 of hardness takes 246.254 mg/L of the heptahydrate (atomic weights).
    assert used.salts_kg["MgSO4·7H2O"] == pytest.approx(0.246254 * 3652.5 / 1000, rel=1e-3)
    lives = {p.part: p.days.value for p in keep.parts}
    assert lives == pytest.approx({"membrane": 182.6, "prefilter": 91.3, "stock of salts": 1e6 / 246.254 / 10}, abs=0.5)
    assert used.visits == pytest.approx(sum(365.25 / days for days in lives.values()))
    assert used.without_price == ("cartridges", "prefilters", "reject water", "salts", "labour", "descaling")


def test_the_cost_of_a_year_by_hand() -> None:
    """One cartridge a year at 80; a visit of half an hour at 60 an hour; two descalings avoided at 120 each."""
    unit = TreatmentUnit(name="u", kind="carbon-filter", carbon=True, service_months=12.0, price=80.0, currency="EUR")
    treated = treatment_of("u", unit).treat(WATER, 0.0, t_c=15.0)
    use = UnitInUse(unit, treated, upkeep(unit, treated, litres_per_day=10.0), 2.0)
    prices = Prices(currency="EUR", labour_hour=60.0, descaling=120.0)
    cost = yearly_cost(use, litres_per_day=10.0, prices=prices)
    assert {i.name: i.amount for i in cost.items} == pytest.approx(
        {"cartridges": 80.0, "labour": 30.0, "descaling avoided": -240.0})
    assert cost.total == pytest.approx(-130.0)
    assert cost.consumption.without_price == ()
    abroad = yearly_cost(use, litres_per_day=10.0, prices=msgspec.structs.replace(prices, currency="CHF"))
    assert (abroad.total, abroad.consumption.without_price) == (80.0, ("labour", "descaling"))


def test_hardness_leaks_as_the_resin_is_exhausted() -> None:
    """Yoon and Nelson 1984: half of the removal is lost when the capacity is used, nearly all beyond it."""
    unit = TreatmentUnit(name="u", kind="weak-acid-exchange", capacity_eq=2.0)
    treated = treatment_of("u", unit).treat(WATER, 0.3, t_c=15.0).at_tap
    litres = 700 * np.exp(0.2 * np.random.default_rng(1).standard_normal(2000))
    curve = leakage_curve("weak-acid-exchange", litres, feed=WATER, treated=treated)
    values = [p.hardness.value for p in curve]
    assert values == sorted(values)
    assert values[0] == pytest.approx(float(treated.hardness), abs=1.0)
    half = next(p for p in curve if p.litres == pytest.approx(np.median(litres)))
    assert half.hardness.value == pytest.approx(float(WATER.hardness + treated.hardness) / 2, rel=0.02)
    assert half.hardness.low < half.hardness.value < half.hardness.high <= float(WATER.hardness)
    assert leakage_curve("magnesium-exchange", litres, feed=WATER, treated=treated) == ()

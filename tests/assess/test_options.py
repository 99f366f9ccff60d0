"""Treatments ranked: by severity first, then intervention; what needs nothing and what nothing can mend."""

from collections.abc import Callable, Iterable
from typing import Any

import msgspec
import pytest

from assess.equipment import Boiler, Drain, Equipment, MakerLimit
from assess.options import Option, ranked
from assess.standing import Grade, Standing, standing
from assess.treatment.options import options as treatments
from assess.treatment.unit import TreatmentUnit, load_units

UNITS = load_units()
HARD = {"hardness": "200 ± 6 mg/L CaCO3", "alkalinity": "170 ± 5 mg/L CaCO3", "calcium": "60 ± 1 mg/L"}
SALTY = {"chloride": "180 ± 5 mg/L", "sodium": None}
#: Few enough to try quickly, one of each idea.
SOME = ("carbon-filter", "weak-acid-exchange", "sodium-softening", "scale-inhibitor", "osmosis-blend")


def tried(tap: Any, units: Iterable[str] = SOME) -> tuple[Option, ...]:
    return ranked(tap.bench(), treatments({key: UNITS[key] for key in units}))


@pytest.fixture(scope="module")
def of_hard_water(tap: Callable[..., Any]) -> tuple[Option, ...]:
    return tried(tap(**HARD))


def test_the_order_is_that_of_the_standings(of_hard_water: tuple[Option, ...]) -> None:
    standings = [o.standing for o in of_hard_water]
    assert standings == sorted(standings)
    assert [o.rank for o in of_hard_water] == list(range(1, len(of_hard_water) + 1))
    assert all(o.why.endswith(".") for o in of_hard_water)


def test_hard_water_is_filtered_or_stripped_and_blended(of_hard_water: tuple[Option, ...]) -> None:
    """Common practice, no source: what does not fit is filtered, or stripped by reverse osmosis and blended."""
    best = of_hard_water[0]
    assert best.id in ("osmosis-blend", "weak-acid-exchange")
    assert not best.broken
    assert any(name.startswith("scale") for name in best.better)
    blend = next(o for o in of_hard_water if o.id == "osmosis-blend")
    # By hand (mass balance): permeate 5 %; hardness after = 200 (0.05 + 0.95 f).
    hardness = next(c for c in blend.changes if c.name == "total hardness")
    assert blend.setting is not None
    assert hardness.after.value == pytest.approx(200 * (0.05 + 0.95 * blend.setting), rel=0.02)


def test_softening_stops_scale_and_fails_the_cup(of_hard_water: tuple[Option, ...]) -> None:
    softener = next(o for o in of_hard_water if o.id == "sodium-softening")
    assert softener.standing.scale == Grade.IN
    assert "cup" in softener.broken
    # Sodium for hardness, 0.4594 mg for each mg/L CaCO3 (by atomic weights).
    removed = 200 - next(c.after.value for c in softener.changes if c.name == "total hardness")
    assert softener.brought["Na"] == pytest.approx(0.4594 * removed, rel=0.03)


def test_carbon_and_inhibitor_leave_the_steam_boiler_its_scale(of_hard_water: tuple[Option, ...]) -> None:
    for key in ("carbon-filter", "scale-inhibitor"):
        assert "scale" in next(o for o in of_hard_water if o.id == key).broken


def test_neighbours_in_the_passing_range_pass(tap: Callable[..., Any], of_hard_water: tuple[Option, ...]) -> None:
    blend = next(o for o in of_hard_water if o.id == "osmosis-blend")
    assert blend.passes is not None
    assert blend.setting is not None
    low, high = blend.passes
    assert low <= blend.setting <= high
    bench = tap(**HARD).bench()
    unit = next(t for t in treatments(UNITS) if t.id == "osmosis-blend")
    for outside in (low - 0.15, high + 0.15):
        if 0 <= outside <= 1:
            assert bench.try_out(unit, outside).standing > blend.standing


def test_water_that_fits_needs_nothing(tap: Callable[..., Any]) -> None:
    """Common practice, no source: water that already fits needs only a particle filter."""
    first, *others = tried(tap())
    assert first.id == "none"
    assert first.standing == Standing(*[Grade.IN] * 5)
    assert {o.id for o in others if o.standing == first.standing} >= {"carbon-filter", "osmosis-blend"}


def test_salty_water_only_osmosis_can_mend(tap: Callable[..., Any], espresso: Equipment) -> None:
    """Ion exchange and carbon leave chloride; only reverse osmosis lowers it (conservation)."""
    said = MakerLimit(measure="chloride", unit="mg/L Cl", at_most=30, source="handbook")
    strict = msgspec.structs.replace(espresso, maker_limits=(said,))
    found = tried(tap(strict, **SALTY))
    assert found[0].id == "osmosis-blend"
    assert found[0].standing.machine == Grade.IN
    assert all("machine" in o.broken for o in found if o.id != "osmosis-blend")


def test_a_broken_machine_limit_outweighs_everything_else(tap: Callable[..., Any], espresso: Equipment) -> None:
    said = MakerLimit(measure="hardness", unit="mg/L CaCO3", at_least=150, at_most=400, source="handbook")
    stubborn = msgspec.structs.replace(espresso, maker_limits=(said,))
    found = tried(tap(stubborn, **HARD))
    assert found[0].standing.machine == Grade.IN
    assert found[0].standing.cup == Grade.OUT
    machine = [o.standing.machine for o in found]
    assert machine == sorted(machine)


def test_draining_mends_what_steam_concentrates(tap: Callable[..., Any], machine: Callable[..., Equipment]) -> None:
    """3 kg of steam a day from 7 kg: 60 mg/L becomes over 150 in 3.5 days if nothing is drained (mass balance)."""
    steam = Boiler(name="steam", kind="steam", temperature_c=125, volume_l=7, steam_kg_per_day=3,
                   material="stainless-316")
    found = tried(tap(machine([steam]), chloride="60 ± 2 mg/L", sodium=None, sulfate=None), units=())
    drained = next(o for o in found if o.id == "drain-and-refresh")
    assert found[0] == drained
    assert drained.setting is not None
    assert drained.standing.machine == Grade.IN
    habit = Drain(every_days=drained.setting, share=0.5)
    assert msgspec.structs.replace(steam, drain=habit).cycles * 60 < 150


def test_ph_in_the_cup_lowers_and_does_not_fail(tap: Callable[..., Any]) -> None:
    found = tap(ph="6.4 ± 0.05", alkalinity="45 ± 1 mg/L CaCO3").judged()
    stands = standing(found.values())
    assert (stands.cup, stands.cup_ph) == (Grade.IN, Grade.OUT)
    assert stands.broken == ()


def test_cost_decides_between_equals(tap: Callable[..., Any]) -> None:
    cheap = msgspec.structs.replace(UNITS["osmosis-blend"], price=100.0, currency="EUR")
    dear = msgspec.structs.replace(cheap, price=400.0)
    catalogue: dict[str, TreatmentUnit] = {"dear": dear, "cheap": cheap, "unpriced": UNITS["osmosis-blend"]}
    order = [o.id for o in ranked(tap(**HARD).bench(), treatments(catalogue)) if o.id in catalogue]
    assert order == ["cheap", "dear", "unpriced"]


def test_what_was_not_read_does_not_rank(tap: Callable[..., Any]) -> None:
    """A tap whose chlorine nobody read is not sold a carbon filter: it is told to read chlorine."""
    assert tried(tap(chlorine=None))[0].id == "none"


def test_unread_chloride_asks_for_no_draining(tap: Callable[..., Any]) -> None:
    assert all(o.drain_days is None for o in tried(tap(chloride=None, sulfate=None, **HARD)))

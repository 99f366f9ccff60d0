"""Machines: the shipped templates, the arithmetic of concentration, and every way a profile can be wrong."""

from pathlib import Path

import pytest

from assess.equipment import Boiler, Drain, Equipment, load_equipment, templates
from shared.errors import FileError


@pytest.mark.parametrize("name", templates())
def test_every_template_loads_and_uses_water(name: str) -> None:
    machine = load_equipment(name)
    assert machine.name == name
    assert machine.litres_per_day > 0
    assert not list(machine.notes())


def steam(*, draw_off: float = 0.0, drain: Drain | None = None) -> Boiler:
    return Boiler(name="steam boiler", kind="steam", temperature_c=125.0, volume_l=1.5, steam_kg_per_day=3.0,
                  draw_off_l_per_day=draw_off, drain=drain)


def test_cycles_of_a_boiler_drained_ten_days() -> None:
    """Mass balance: 1.5 kg of water, 3 kg of steam a day, nothing drained for ten days: N = 1 + 30/1.5 = 21."""
    assert steam(drain=Drain(every_days=10.0)).cycles == pytest.approx(21.0)


def test_cycles_where_as_much_is_drawn() -> None:
    """Steady state: N = (S + D)/D = 4 for 3 kg of steam and 1 L drawn a day."""
    assert steam(draw_off=1.0).cycles == pytest.approx(4.0, rel=1e-6)


def test_a_boiler_without_steam_concentrates_nothing() -> None:
    assert Boiler(name="b", kind="brew", temperature_c=93, volume_l=1.5, draw_off_l_per_day=9).cycles == 1.0


def test_a_boiler_never_drained_is_reported() -> None:
    machine = Equipment(name="m", boilers=(steam(),))
    assert machine.boilers[0].cycles == pytest.approx(1 + 90 * 3 / 1.5)
    (note,) = machine.notes()
    assert "90 days (181 times the feed)" in note


GOOD = """name = "mine"
[[boilers]]
name = "steam boiler"
kind = "steam"
temperature_c = 125
volume_l = 7
steam_kg_per_day = 4
draw_off_l_per_day = 6

[[maker_limits]]
measure = "chloride"
unit = "mg/L Cl"
at_most = 30
source = "handbook, page 12"

[treatment]
unit = "weak-acid-exchange"
setting = 0.3
installed = 2026-03-01
"""


def write(folder: Path, text: str) -> Equipment:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return load_equipment(path)


def test_the_user_s_own_profile(tmp_path: Path) -> None:
    machine = write(tmp_path, GOOD)
    assert machine.litres_per_day == 10
    assert machine.treatment is not None
    assert machine.treatment.installed is not None
    assert machine.treatment.installed.month == 3


@pytest.mark.parametrize(("old", "new", "says"), [
    ("volume_l = 7", "volume = 7", "boilers[0]: unknown field `volume`"),
    ("volume_l = 7", "volume_l = 0", "volume_l and heated_area_m2 must be above 0"),
    ("temperature_c = 125", "temperature_c = 60", "a steam boiler must be at 90 to 150 °C, found temperature_c 60"),
    ("draw_off_l_per_day = 6", "draw_off_l_per_day = -6", "cannot be negative"),
    ('kind = "steam"', 'kind = "brew"', "only a steam boiler has steam_kg_per_day"),
    ('kind = "steam"', 'kind = "kettle"', "allowed: 'brew', 'hot-water', 'steam'"),
    ('measure = "chloride"', 'measure = "taste"', "a manufacturer's limit must be on one of hardness"),
    ('unit = "mg/L Cl"', 'unit = "mg/L"', "stated in 'mg/L Cl', found 'mg/L'"),
    ("at_most = 30\n", "", "needs at_least or at_most"),
    ('source = "handbook, page 12"', 'source = "p. 12"\nboiler = "brew"', "no such boiler: 'brew'"),
    ("setting = 0.3", "setting = 30", "setting must be a fraction from 0 to 1, found 30"),
    ("installed = 2026-03-01", 'installed = "spring"', "treatment.installed"),
    ("volume_l = 7", "volume_l = 7\ndrain = { every_days = 0 }", "a drain needs every_days above 0"),
])
def test_a_wrong_profile_is_named_with_its_key(tmp_path: Path, old: str, new: str, says: str) -> None:
    with pytest.raises(FileError) as caught:
        write(tmp_path, GOOD.replace(old, new))
    assert "mine.toml" in caught.value.message
    assert says in caught.value.message


def test_two_boilers_of_one_name_are_refused(tmp_path: Path) -> None:
    boiler = GOOD.split("[[maker", maxsplit=1)[0].removeprefix('name = "mine"\n')
    with pytest.raises(FileError, match="boilers with different names"):
        write(tmp_path, 'name = "mine"\n' + boiler + boiler)


def test_unknown_equipment_lists_the_templates() -> None:
    with pytest.raises(FileError, match="two-boiler-espresso"):
        load_equipment("three-boiler")

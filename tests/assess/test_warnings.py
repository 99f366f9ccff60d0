"""Warnings: when each is given, against arithmetic by hand and published tables."""

from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from assess import AssessmentSetup, assess, load_equipment, load_limits, sample_from_typed
from assess.warnings import alkaline, brucite_log_k, forms_magnesium_hydroxide

TERMS = AssessmentSetup(equipment=load_equipment("two-boiler-espresso"), limits=load_limits(), units={})
STEAM = TERMS.equipment.boilers[1]


def ids(tap: Callable[..., Any], **texts: str | None) -> set[str]:
    return {w.id for w in assess(tap(**texts).sample, TERMS).warnings}


def test_iron_counts_as_hardness_and_is_warned_of(tap: Callable[..., Any]) -> None:
    """40 CFR 143.3 and WHO, 4th ed.: 0.3 mg/L stains."""
    assert "iron" in ids(tap, iron="0.3 ± 0.05 mg/L")
    assert "iron" not in ids(tap, iron="0.02 ± 0.01 mg/L")
    sample = tap(iron="0.5 ± 0.1 mg/L").sample
    not_found = tuple(msgspec.structs.replace(e, low=0.0, high=e.value, status="below") if e.analyte == "iron" else e
                      for e in sample.estimates)
    warned = assess(msgspec.structs.replace(sample, estimates=not_found), TERMS).warnings
    assert "iron" not in {w.id for w in warned}


def test_salinity_alone_decides_nothing(tap: Callable[..., Any]) -> None:
    """Common practice, no source: TDS decides nothing."""
    bare = dict.fromkeys(("hardness", "alkalinity", "calcium", "sulfate"))
    assert "conductivity-only" in ids(tap, **bare, conductivity="400 ± 10 µS/cm")
    assert "conductivity-only" in ids(tap, **bare, tds="250 ± 10 mg/L")
    assert "conductivity-only" not in ids(tap, conductivity="200 ± 10 µS/cm")
    alone = assess(sample_from_typed({"tds": "250 ± 10 mg/L"}), TERMS)
    assert alone.plan.option.kind == "none"
    assert alone.plan.next_step.startswith("Measure ")


def test_a_softener_that_blends_is_asked_for(tap: Callable[..., Any]) -> None:
    """Alkalinity beyond the hardness is that of sodium bicarbonate (textbook: negative noncarbonate hardness)."""
    blended = {"hardness": "90 ± 5 mg/L CaCO3", "alkalinity": "230 ± 10 mg/L CaCO3", "calcium": None}
    assert "sodium-bicarbonate" in ids(tap, **blended)
    assert "sodium-bicarbonate" not in ids(tap)


def test_an_unknown_limit_of_the_manufacturer_is_asked_for(tap: Callable[..., Any]) -> None:
    assert "manufacturer-limit-not-on-file" in ids(tap)


def test_sodium_bicarbonate_turns_a_steam_boiler_alkaline(tap: Callable[..., Any]) -> None:
    """Mass balance: nothing precipitates from softened water, so 240 mg/L times the cycles, 10/6, stay: 400 mg/L."""
    soft = {"hardness": "4 ± 1 mg/L CaCO3", "alkalinity": "240 ± 5 mg/L CaCO3", "calcium": None, "sulfate": None}
    left = alkaline(tap(**soft).drawn.feed, STEAM)
    assert left == pytest.approx(240 * 10 / 6, rel=0.02)
    assert "alkaline-boiler" in ids(tap, **soft)
    assert alkaline(tap().drawn.feed, STEAM) is None


def test_magnesium_hydroxide_needs_magnesium_and_alkali(tap: Callable[..., Any]) -> None:
    """PKsp of brucite at 25 °C: 11.16 (Mg + 2 OH), that is log K 16.84 with 2 pKw = 28.0 (from memory)."""
    assert brucite_log_k(25.0) == pytest.approx(2 * 14.0 - 11.16, abs=0.01)
    magnesian = tap(hardness="150 ± 5 mg/L CaCO3", alkalinity="140 ± 5 mg/L CaCO3", calcium="20 ± 1 mg/L", sulfate=None)
    acid = tap(hardness="20 ± 1 mg/L CaCO3", alkalinity="2 ± 0.5 mg/L CaCO3", ph="6.5 ± 0.05", calcium="7.5 ± 0.3 mg/L",
               sulfate=None)
    assert forms_magnesium_hydroxide(magnesian.drawn.feed, STEAM)
    assert not forms_magnesium_hydroxide(acid.drawn.feed, STEAM)

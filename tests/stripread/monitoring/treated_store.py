"""Nine sites, with and without a treatment unit, in every state that a status distinguishes.

The last has typed results and no reading of a strip.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from assess import Assessment, AssessmentSetup, assess, load_limits, sample_from_typed
from assess.equipment import load_equipment
from assess.treatment.unit import load_units
from calibration.chart import Chart
from stripread.store.models.evidence import SampleAssessment, StoredAssessment
from stripread.store.models.sites import SamplingPoint, Service, Site, SiteGroup, Unit
from stripread.store.store import Store
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    empty_store,
    keep,
    photograph_of,
    reading_of,
    with_chart,
)

#: Hardness and alkalinity, mg/L CaCO3, of waters with their verdict for a general machine.
WATERS = {"in": (60, 42), "scaling": (320, 240), "slightly hard": (130, 42), "inconclusive": (88, 72)}
#: By site: waters of the tap and of the treated water, and whether work was done on the unit since.
SITES = {"Ash": ("scaling", "in", False), "Birch": ("scaling", "scaling", False), "Cedar": ("scaling", "scaling", True),
         "Elm": ("in", "", False), "Fir": ("slightly hard", "", False), "Hazel": ("inconclusive", "", False),
         "Larch": ("", "", False), "Oak": ("scaling", "slightly hard", False)}


def _assessed() -> dict[str, Assessment]:
    terms = AssessmentSetup(equipment=load_equipment("two-boiler-espresso"), limits=load_limits(), units=load_units())
    return {name: assess(sample_from_typed({
        "hardness": f"{hard} ± 5 mg/L CaCO3", "alkalinity": f"{alkaline} ± 4 mg/L CaCO3", "ph": "7.3 ± 0.1",
        "chloride": "12 ± 2 mg/L Cl", "chlorine": "0.02 ± 0.01 mg/L Cl2"}), terms)
        for name, (hard, alkaline) in WATERS.items()}


def treated_store(folder: Path, sample_chart: Chart) -> Store:
    """Return a store with the sites, looked at on the day `NOW`."""
    made, assessed = empty_store(folder), _assessed()
    chart = with_chart(made, sample_chart, "A")["A"]
    keep(made, SiteGroup(id="trees", name="Trees"))
    unit = load_units()["weak-acid-exchange"]
    for name, (tap, treated, worked) in SITES.items():
        keep(made, Site(id=name, name=name, group="trees"), SamplingPoint(
            id=f"{name} tap", site=name, place="mains", name="tap"))
        if treated:
            keep(made, Unit(id=f"{name} unit", site=name, catalogue="weak-acid-exchange", unit=unit), SamplingPoint(
                id=f"{name} outlet", site=name, place="after treatment", name="outlet", unit=f"{name} unit"),
                Service(id=f"{name} installed", unit=f"{name} unit", at=NOW - timedelta(days=100), job="installed",
                        account=ACCOUNT, setting=0.3))
        for point, water, days in ((f"{name} tap", tap, 9), (f"{name} outlet", treated, 20),
                                   (f"{name} outlet", treated, 8)):
            if water:
                photograph = photograph_of(f"{point} {days}", NOW - timedelta(days=days), point=point, batch="A")
                reading = reading_of(photograph, {"hardness": Value(float(WATERS[water][0]))}, chart=chart)
                keep(made, photograph, reading, StoredAssessment(
                    id=f"of {reading.id}", reading=reading.id, at=reading.at, account=ACCOUNT,
                    assessment=assessed[water]))
        if worked:
            keep(made, Service(id=f"{name} change", unit=f"{name} unit", at=NOW - timedelta(days=2),
                               job="cartridge changed", account=ACCOUNT))
    keep(made, Site(id="Yew", name="Yew", group="trees"),
         SamplingPoint(id="Yew tap", site="Yew", place="mains", name="tap"),
         SampleAssessment(id="of Yew", point="Yew tap", taken=NOW - timedelta(days=3), at=NOW, account=ACCOUNT,
                          results=("hardness of Yew",), assessment=assessed["in"]))
    return made

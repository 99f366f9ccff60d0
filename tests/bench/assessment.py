"""How long one assessment takes: every treatment at every setting, against the chemistry of its draws solved once."""

from __future__ import annotations

import functools

from assess import AssessmentSetup, assess, load_equipment, load_limits
from assess.inputs.text import sample_from_typed
from assess.treatment.unit import load_units
from shared.water import balance_charge, speciate
from tests.bench.reading import seconds
from tests.bench.water import readings

#: A hard tap water (invented).
TAP = {"hardness": "180 ± 15 mg/L CaCO3", "alkalinity": "140 ± 12 mg/L CaCO3", "ph": "7.4 ± 0.2",
       "chloride": "40 ± 6 mg/L", "chlorine": "0.2 ± 0.1 mg/L", "temperature": "15 ± 1 °C"}


#: Draws of the yardstick.
_DRAWS = 4000


def run() -> None:
    """Print the ratio and the time."""
    sample = sample_from_typed(TAP)
    terms = AssessmentSetup(
        equipment=load_equipment("two-boiler-espresso"), limits=load_limits(), units=load_units(None)
    )
    waters = balance_charge(readings(_DRAWS), strict=False).water
    once, whole = seconds(lambda: speciate(waters, 93.0)), seconds(lambda: assess(sample, terms))
    print(f"assess one water for a machine with two boilers: {whole:.2f} s of processor time, {whole / once:.0f} times "
          f"the equilibria of {_DRAWS} draws solved once (under 19)")
    for analyte in ("alkalinity", "ph", "chloride"):
        without = sample_from_typed({key: value for key, value in TAP.items() if key != analyte})
        asked = seconds(functools.partial(assess, without, terms), times=3)
        print(f"without {analyte}, which may decide the treatment: {asked / whole:.1f} times the whole assessment")


if __name__ == "__main__":
    run()

"""Every benchmark, one after the other: ``make bench``."""

from __future__ import annotations

from tests.bench import (
    assessment,
    audit,
    cluster,
    dye,
    improvements,
    intervals,
    many_sites,
    reading,
    records,
    spectra,
    tone,
    treated_sites,
    treated_units,
    water,
)

if __name__ == "__main__":
    reading.run()
    water.run()
    assessment.run()
    records.run()
    audit.run()
    cluster.run()
    many_sites.run()
    spectra.run()
    tone.run()
    intervals.run()
    dye.run()
    improvements.run()
    treated_units.run()
    treated_sites.run()

"""Every benchmark, one after the other: ``make bench``."""

from __future__ import annotations

from bench import reading, records, water

if __name__ == "__main__":
    reading.run()
    water.run()
    records.run()

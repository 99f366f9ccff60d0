"""Cautions that go with every assessment; those of a treatment stand with the treatment."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

HOT_SAMPLE: Final = "Let hot samples cool before dipping a strip; boiler water scalds."
PRESSURE: Final = ("Boilers are pressurised vessels: switch off, let them cool and lose their pressure before anything "
                   "is opened; leave work on them to licensed people.")
LOCAL: Final = "Local codes and the instructions of the machine's maker go before anything said here."
POTABILITY: Final = "Nothing here says whether the water is fit to drink."
COMBINED: Final = ("The chlorine pad sees free chlorine only. Combined chlorine (chloramine) is not seen: ask the "
                   "water supplier which is used.")
DESCALING: Final = ("Descaling acids burn skin and eyes and must never meet hypochlorite: follow the maker's procedure "
                    "and rinse until nothing is left.")


def general(*, scales: bool) -> Iterator[str]:
    """Cautions for any machine, the most urgent first."""
    yield HOT_SAMPLE
    yield PRESSURE
    if scales:
        yield DESCALING
    yield COMBINED
    yield LOCAL
    yield POTABILITY

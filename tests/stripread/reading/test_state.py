"""Flags that do not come from the photograph: the chart's release and the phone."""

import msgspec
import pytest

from shared.flags import FLAGS
from stripread.reading.context import with_status_flags
from stripread.reading.result import Provenance, Reading

PHONE = "Maker Model 1"
READING = Reading(photo="a.jpg", status="measured", reason="", flags=("mixed-light",), provenance=Provenance(
    software="", photo_sha256="", pixels_sha256="", chart="", batch="", profile="", camera=PHONE))


@pytest.mark.parametrize("flag", [f for f, flag in FLAGS.items() if flag.scope == "state" and f != "phone-new"])
def test_every_state_is_reported_in_addition_to_flags(flag: str) -> None:
    assert with_status_flags(READING, [flag]).flags == ("mixed-light", flag)


def test_a_phone_is_new_until_a_check_standard_was_read_with_it() -> None:
    assert "phone-new" not in with_status_flags(READING, []).flags, "nobody keeps a list"
    assert "phone-new" in with_status_flags(READING, [], phones=frozenset({"Maker Model 2"})).flags
    assert "phone-new" not in with_status_flags(READING, [], phones=frozenset({PHONE})).flags
    unknown = msgspec.structs.replace(READING, provenance=msgspec.structs.replace(READING.provenance, camera=None))
    assert "phone-new" not in with_status_flags(unknown, [], phones=frozenset({PHONE})).flags


def test_a_fault_of_the_photograph_is_no_state() -> None:
    with pytest.raises(ValueError, match="glare"):
        with_status_flags(READING, ["glare"])

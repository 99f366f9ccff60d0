"""Rendered photographs: reproducible, and located and dated as those of a phone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from shared.card import default_card
from shared.profile import PrintProfile
from stripread.demo.printing import RUN, print_profile
from stripread.demo.render import CameraPhone, Shot, render
from stripread.demo.standards import CHECKS
from stripread.reading.locate import CardLocation, locate
from stripread.reading.photo import decode

SHOT = Shot(1, CHECKS["C2"], "Q-101", CameraPhone("Phone One", 4), datetime(2031, 5, 2, 9, 30, tzinfo=UTC))


@pytest.fixture(scope="module")
def profile() -> PrintProfile:
    return print_profile()


def test_the_same_seed_gives_the_same_file() -> None:
    assert render(SHOT) == render(SHOT)
    assert render(SHOT) != render(replace(SHOT, seed=2))


def test_time_camera_and_print_run_are_found() -> None:
    photo = decode(render(SHOT), "rendered.jpg")
    assert (photo.camera, photo.taken) == ("Sample Phone One", "2031-05-02T09:30:00")
    found = locate(photo.pixels, default_card(), [RUN])
    assert isinstance(found, CardLocation)
    assert found.run == RUN


def test_the_print_run_is_that_of_the_card(profile: PrintProfile) -> None:
    """The profile's own check: CIEDE2000 of the printed patches from the design."""
    profile.check_against(default_card())
    assert profile.run == RUN

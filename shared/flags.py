"""The one registry of flags: page, report, terminal and JSON all take their words from here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Scope = Literal["photograph", "strip", "state"]


@dataclass(frozen=True, slots=True)
class Flag:
    """What a flag means, and what the person holding the phone should do."""

    id: str
    scope: Scope
    meaning: str
    action: str

    @property
    def words(self) -> str:
        """Meaning and action, as shown to a person."""
        return f"{self.meaning} {self.action}"


_TABLE: tuple[tuple[str, Scope, str, str], ...] = (
    ("no-card", "photograph", "The reference card was not found.",
     "Lay the strip on the card, get all four corner markers into the picture and take it again."),
    ("card-partial", "photograph", "Too little of the card is in the picture.",
     "Step back until all four corner markers are in the picture, uncovered."),
    ("mirrored", "photograph", "The picture is mirrored.",
     "Switch off mirroring (selfie mode) and take it again."),
    ("small", "photograph", "The card is too small in the picture.",
     "Move closer: the card should fill at least half of the width."),
    ("blurred", "photograph", "The picture is not sharp.",
     "Hold the phone still, tap the strip to focus and take it again."),
    ("dark", "photograph", "The picture is too dark.",
     "Find more light, no flash, and take it again."),
    ("clipped", "photograph", "The picture is too bright: light colours are burnt out.",
     "Lower the exposure or move out of direct light and take it again."),
    ("glare", "photograph", "A lamp is mirrored on the card or the strip.",
     "Tilt the phone away from the lamp and take it again."),
    ("shadow", "photograph", "A shadow edge lies across the strip.",
     "Turn so that neither you nor the phone throws a shadow on the card."),
    ("mixed-light", "photograph", "Lights of different colour mix across the card.",
     "Switch off one of the lights or move to a place with one kind of light."),
    ("poor-light", "photograph", "The lamp's spectrum renders colours poorly; the intervals are wider.",
     "Read by a window or under a lamp of good colour rendering if you can."),
    ("patches-covered", "photograph", "Something covers colour patches of the card.",
     "Keep fingers and objects off the card."),
    ("card-worn", "photograph", "The card's colours are no longer those it was measured with.",
     "Use a new card, and check this one with `stripread card check`."),
    ("colours-off", "photograph", "The photograph does not reproduce the card's own colours.",
     "Switch off filters and effects of the camera, and take it again in even light."),
    ("profile-missing", "photograph", "No measured profile of this print run was given; nominal colours were used.",
     "Give the profile of the card's print run; the intervals are wider without it."),
    ("no-strip", "strip", "No strip was found on the bed.",
     "Lay the dipped strip on the grey bed, tip at the stop line."),
    ("strip-reversed", "strip", "The strip lies the wrong way round.",
     "Lay the strip with its tip at the stop line and the handle to the right, then take it again."),
    ("pad-covered", "strip", "Something covers the pad.",
     "Keep fingers and objects off the strip and take it again."),
    ("pad-uneven", "strip", "The pad's colour is uneven: it was not wetted evenly, or something touched it.",
     "Dip a new strip fully, shake off drops and do not touch the pads."),
    ("not-reacted", "strip", "The pad has its dry colour: it was not wetted or did not react.",
     "Dip a new strip fully and wait for the time printed on the tube."),
    ("off-chart", "strip", "The pad's colour is none that this batch's chart shows.",
     "Check that the chart belongs to this tube and read a fresh strip."),
    ("below-range", "strip", "The value is below the chart's range.",
     "Take it as an upper bound."),
    ("above-range", "strip", "The value is above the chart's range.",
     "Dilute the sample with pure water and read again, or take it as a lower bound."),
    ("two-values", "strip", "Two different values fit the pad's colour.",
     "Read a second strip or settle it by another test."),
    ("water-coloured", "strip", "The blank area is not white: the water is coloured or turbid.",
     "Filter the sample and dip a new strip."),
    ("outside-validity", "strip", "The strip type does not vouch for this pad in this water.",
     "Do not lean on this value; measure it another way."),
    ("early", "strip", "The photograph was taken before the strip's reading time.",
     "Wait for the time printed on the tube, then take the photograph."),
    ("late", "strip", "The photograph was taken after the strip's reading time.",
     "Dip a new strip and photograph it within the time printed on the tube."),
    ("chart-draft", "state", "The chart has not been released.",
     "Use the value for trial only until the analyst releases the chart."),
    ("chart-expired", "state", "The chart's release has expired.",
     "Ask the analyst for a valid release."),
    ("chart-withdrawn", "state", "The chart has been withdrawn.",
     "Do not use the value; ask the analyst for a new chart."),
    ("chart-override", "state", "The chart was released although its check standards did not pass the release gate.",
     "Read the reason with `stripread chart show` before you rely on the value."),
    ("batch-expired", "state", "The strips are past their expiry date or have been open too long.",
     "Use a new tube."),
    ("time-unknown", "state", "The photograph does not state when it was taken; the time of receipt is used.",
     "Set the camera to store the time (EXIF), check the phone's clock, and send the original file."),
    ("time-future", "state", "The phone's clock showed a time in the future; the time of receipt is used.",
     "Set the phone's date, time and time zone."),
    ("point-closed", "state", "The sampling point or its site was closed before this sample was taken.",
     "Move the photograph if it belongs elsewhere, or reopen the site."),
    ("phone-new", "state", "No check standard has been read with this phone model yet.",
     "Read a check standard with this phone."),
)

#: Every flag by its id, in the order in which they are shown.
FLAGS: dict[str, Flag] = {row[0]: Flag(*row) for row in _TABLE}


def in_order(ids: set[str] | frozenset[str]) -> tuple[str, ...]:
    """The given flag ids in the registry's order. Raises KeyError for an id that is not in it."""
    unknown = ids - FLAGS.keys()
    if unknown:
        raise KeyError(f"no such flag: {', '.join(sorted(unknown))}")
    return tuple(i for i in FLAGS if i in ids)

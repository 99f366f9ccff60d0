"""Registry of flags. Page, report, terminal and JSON take their texts from here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Scope = Literal["photograph", "strip", "state"]


@dataclass(frozen=True, slots=True)
class Flag:
    """A problem found in a photograph, a strip or a record, and the corrective action."""

    id: str
    scope: Scope
    meaning: str
    action: str

    @property
    def words(self) -> str:
        """Meaning and action in one text."""
        return f"{self.meaning} {self.action}"


_TABLE: tuple[tuple[str, Scope, str, str], ...] = (
    ("no-card", "photograph", "The reference card was not found.",
     "Lay the strip on the card and retake the photograph with all four corner markers in it."),
    ("card-partial", "photograph", "Too little of the card is in the photograph.",
     "Step back until all four corner markers are visible and uncovered, and retake the photograph."),
    ("several-cards", "photograph", "More than one card is in the photograph.",
     "Photograph one card at a time: move the others out of the picture, and retake the photograph."),
    ("mirrored", "photograph", "The photograph is mirrored.",
     "Switch off mirroring (selfie mode) and retake the photograph."),
    ("small", "photograph", "The card is too small in the photograph.",
     "Move closer until the card fills at least half of the width, and retake the photograph."),
    ("blurred", "photograph", "The photograph is not sharp.",
     "Hold the phone still, tap the strip to focus and retake the photograph."),
    ("dark", "photograph", "The photograph is too dark.",
     "Add light or move to a brighter place, do not use the flash, and retake the photograph."),
    ("clipped", "photograph", "The photograph is overexposed: light colours are clipped.",
     "Lower the exposure or move out of direct light, and retake the photograph."),
    ("glare", "photograph", "A lamp is reflected in the card or the strip, or a white object lies on them.",
     "Tilt the phone away from the reflection, remove objects from the card, and retake the photograph."),
    ("shadow", "photograph", "The edge of a shadow crosses the strip.",
     "Turn so that neither you nor the phone casts a shadow on the card, and retake the photograph."),
    ("mixed-light", "photograph", "Lights of different colour illuminate the card.",
     "Switch off one of the lights or move to a place with one kind of light, and retake the photograph."),
    ("poor-light", "photograph", "The lamp has poor colour rendering; the intervals are wider.",
     "Photograph the strip in daylight or under a lamp with good colour rendering if you can."),
    ("patches-covered", "photograph", "Something covers colour patches of the card.",
     "Keep fingers and objects off the card and retake the photograph."),
    ("card-worn", "photograph", "The card's colours differ from those of its print run.",
     "Use a new card, and check this card with `stripread card check`."),
    ("colours-off", "photograph", "The photograph does not reproduce the card's colours.",
     "Switch off filters and effects of the camera, and retake the photograph in even light."),
    ("profile-missing", "photograph", "No card profile of this print run was given; nominal colours were used.",
     "Give the card profile of the print run; the intervals are wider without it."),
    ("bed-not-clear", "photograph", "More than one strip, or another object, lies on the bed.",
     "Leave only the dipped strip on the grey bed, and retake the photograph."),
    ("no-strip", "strip", "No strip was found on the bed.",
     "Lay the dipped strip on the grey bed, with its tip at the stop line."),
    ("strip-reversed", "strip", "The strip lies the wrong way round.",
     "Lay the strip with its tip at the stop line and the handle to the right, and retake the photograph."),
    ("pad-covered", "strip", "Something covers the pad.",
     "Keep fingers and objects off the strip and retake the photograph."),
    ("pad-uneven", "strip", "The pad's colour is uneven: it was not wetted evenly, or something touched it.",
     "Immerse all pads of a new strip, shake off drops and do not touch the pads."),
    ("not-reacted", "strip", "The pad has the colour of a dry pad: it was not wetted or did not react.",
     "Immerse all pads of a new strip and wait for the reading time printed on the tube."),
    ("off-chart", "strip", "The pad's colour does not match this batch's calibration chart.",
     "Check that the chart belongs to the tube's batch, and measure a new strip."),
    ("strip-unlike-chart", "strip", "This strip, or this tube, has more or less dye than the chart's strips.",
     "Check that the chart belongs to the tube's batch; measure a second strip, then a check standard with this tube."),
    ("too-uncertain", "strip", "The pad's interval is too wide to be of use.",
     "Retake the photograph, sharp and in even light, with a clean card; if that does not help, measure a new strip."),
    ("below-range", "strip", "The value is below the chart's range.",
     'Report it as "less than" the end of the range.'),
    ("above-range", "strip", "The value is above the chart's range.",
     'Dilute the sample with pure water and measure again, or report it as "greater than" the end of the range.'),
    ("two-values", "strip", "The pad's colour is ambiguous: two values fit.",
     "Measure a second strip or use another method."),
    ("water-coloured", "strip", "The blank area is not white: the water is coloured or turbid.",
     "Filter the sample and measure a new strip."),
    ("outside-validity", "strip", "This pad is outside its validated range for this water.",
     "Do not rely on this value; use another method."),
    ("early", "strip", "The photograph was taken before the strip's reading time.",
     "Wait for the reading time printed on the tube, then take the photograph."),
    ("late", "strip", "The photograph was taken after the strip's reading time.",
     "Dip a new strip and photograph it within the reading time printed on the tube."),
    ("chart-draft", "state", "The chart has not been released.",
     "Use the value for trials only until an analyst releases the chart."),
    ("chart-expired", "state", "The chart's release has expired.",
     "Ask an analyst to release the chart again."),
    ("chart-withdrawn", "state", "The chart has been withdrawn.",
     "Do not use the value; ask an analyst for a new chart."),
    ("chart-override", "state", "The chart was released although its check standards failed the release gate.",
     "See the reason with `stripread chart show` before you rely on the value."),
    ("batch-expired", "state", "The strips are past their expiry date or have been open too long.",
     "Use a new tube."),
    ("time-unknown", "state", "The photograph contains no time of exposure; the time of receipt is used.",
     "Set the camera to store the time (EXIF), check the phone's clock, and send the original file."),
    ("time-future", "state", "The phone's clock showed a time in the future; the time of receipt is used.",
     "Set the phone's date, time and time zone."),
    ("point-closed", "state", "The sampling point or its site was closed before this sample was taken.",
     "Assign the photograph to the correct sampling point, or reopen the site."),
    ("phone-new", "state", "No check standard has been measured with this phone model yet.",
     "Measure a check standard with this phone."),
)

#: Every flag by its id, in the order in which they are shown.
FLAGS: dict[str, Flag] = {row[0]: Flag(*row) for row in _TABLE}


def in_order(ids: set[str] | frozenset[str]) -> tuple[str, ...]:
    """Return the flag ids in the registry's order. Raises KeyError for an unknown id."""
    unknown = ids - FLAGS.keys()
    if unknown:
        raise KeyError(f"unknown flag: {', '.join(sorted(unknown))}")
    return tuple(i for i in FLAGS if i in ids)

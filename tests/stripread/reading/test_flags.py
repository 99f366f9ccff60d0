"""Every flag a reading can raise, made from one good photograph, on both sides of its border.

The borders are those of `stripread.reading.checks`; what is just good enough is read without the flag, with the
values of the good photograph.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from calibration.chart import Chart
from calibration.curve import Curve
from calibration.scale import Scale
from shared.card import PAPER
from shared.flags import FLAGS
from stripread.reading import checks
from stripread.reading.observe import Observation
from stripread.reading.read import RELEVANT
from stripread.reading.read_pad import DRY_LAB, widest
from stripread.reading.result import Reading
from tests import simulator
from tests.loops import some
from tests.photographs import CARD, Array, Box, Picture, truth_of
from tests.reader import Reader, all_flags, pad, shifts

#: Encoded sRGB of skin in the shade of a room.
SKIN = (168, 118, 92)
BED = CARD.bed
#: The bed without its blurred rim.
ON_BED: Box = (BED.x + 0.7, BED.y + 0.7, BED.w - 1.4, BED.h - 1.4)
#: Flags that belong to other parts of the program, and are tested there.
NOT_OF_A_READING = {"early", "late"} | {id_ for id_, flag in FLAGS.items() if flag.scope == "state"}


@dataclass(frozen=True)
class Scene:
    """The good photograph with where its pads lie and what is seen of it, from which faults are measured out."""

    picture: Picture
    pads: dict[str, Array]
    blank: Array
    seen: Observation

    def around(self, analyte: str, half: tuple[float, float]) -> Box:
        """A rectangle about a pad's centre."""
        x, y = self.pads[analyte]
        return (x - half[0], y - half[1], 2 * half[0], 2 * half[1])

    @property
    def blank_box(self) -> Box:
        """The strip's blank area."""
        return (self.blank[0] - 3.5, self.blank[1] - 2.5, 7.0, 5.0)


@pytest.fixture(scope="module")
def scene(good: Picture, good_file: Path, good_seen: Observation) -> Scene:
    truth = truth_of(good_file)
    pads = {analyte: np.array(p["card_mm"]) for analyte, p in truth["pads"].items()}
    first, last = pads["hardness"], pads["chlorine"]
    return Scene(good, pads, first + 45.0 * (last - first) / np.linalg.norm(last - first), good_seen)


Fault = Callable[[Scene, float], Picture]


def smaller(scene: Scene, px_per_mm: float) -> Picture:
    return scene.picture.farther(px_per_mm / scene.seen.located.px_per_mm)


def blurred(scene: Scene, sd_mm: float) -> Picture:
    return scene.picture.blurred(float(np.sqrt(sd_mm**2 - scene.seen.located.edge_mm**2)))


def darker(scene: Scene, light: float) -> Picture:
    """Light made less on the encoded values' own scale, as a shorter exposure does."""
    return scene.picture.lit(light / checks.light_by_strip(scene.seen.light, CARD))


def brighter(scene: Scene, gain: float) -> Picture:
    return scene.picture.lit(gain)


def lamp_beside(scene: Scene, level: float) -> Picture:
    """A mirrored lamp about the pH pad that brings the bed next to it to ``level``."""
    usual = next(p.beside.level for p in scene.seen.pads if p.pad.analyte == "ph")
    return scene.picture.lit_within(scene.around("ph", (3, 6)), level / usual)


def shadow_edge(scene: Scene, depth: float) -> Picture:
    """A shadow of that depth over the right half of the card, its edge some 3 mm wide."""
    fall = 1 / (1 + np.exp(-(scene.picture.mm[..., :1] - 70.0)))
    return scene.picture.lit(1 - depth * fall)


def two_lights(scene: Scene, change: float) -> Picture:
    """Light that turns from warm to cold across the card, red and blue by half of ``change`` each, either way."""
    along = scene.picture.mm[..., :1] / CARD.size[0] - 0.5
    return scene.picture.lit(np.exp(along * np.array([change, 0.0, -change]) / 0.8))


def other_lamp(scene: Scene, share: float) -> Picture:
    """Daylight of which ``share`` becomes a three-band lamp (CIE FL3.10): patches repainted by a simulated camera."""
    camera = simulator.camera(np.random.default_rng(0))
    daylight, poor = simulator.lamp("D65"), simulator.lamp("FL3.10")
    spectra = simulator.on_wavelengths(scene.seen.profile, [*CARD.patch_ids, PAPER])
    before, after = (simulator.relative(camera, power, spectra)
                     for power in (daylight, (1 - share) * daylight + share * poor))
    gain = np.clip(after, 0.001, None) / np.clip(before, 0.001, None)
    return tinted_patches(scene, np.clip(gain, 0.2, 5.0))


def tinted_patches(scene: Scene, gains: Array) -> Picture:
    """Each patch's light multiplied by its gains (n, 3)."""
    field = np.ones(scene.picture.pixels.shape)
    for patch, gain in zip(CARD.patches, gains, strict=True):
        field[scene.picture.within((patch.x, patch.y, patch.w, patch.h))] = gain
    return scene.picture.lit(field)


def fingers_on_patches(scene: Scene, count: float) -> Picture:
    picture = scene.picture
    for patch in CARD.patches[: int(count)]:
        picture = picture.painted((patch.x, patch.y, patch.w, patch.h), SKIN)
    return picture


def faded(scene: Scene, sd: float) -> Picture:
    """Every patch's channels changed by a random share with that standard deviation."""
    return tinted_patches(scene, np.exp(np.random.default_rng(1).normal(0.0, sd, (len(CARD.patches), 3))))


def hidden_markers(scene: Scene, count: float) -> Picture:
    """The first corner markers under a thumb."""
    picture, side = scene.picture, CARD.markers.side
    for x, y in CARD.markers.top_left_corners[: int(count)]:
        picture = picture.painted((x, y, side, side), SKIN)
    return picture


def mirrored(scene: Scene, flip: float) -> Picture:
    """The picture as a selfie camera saves it."""
    return replace(scene.picture, pixels=np.ascontiguousarray(scene.picture.pixels[:, ::-1])) if flip else scene.picture


def strip_up_to(scene: Scene, x: float) -> Picture:
    """Bare bed laid over the strip from ``x`` on; the bed beyond the handle serves as pattern."""
    picture = scene.picture
    where = picture.within(ON_BED) & (picture.mm[..., 0] >= x)
    return picture.moved(where, lambda mm: np.column_stack([110 + (mm[:, 0] - BED.x) % 18, mm[:, 1]]))


def second_strip(scene: Scene, across: float) -> Picture:
    """The strip once more, moved across the bed by this distance, mm."""
    x, y = scene.pads["hardness"]
    box = (x - 5.5, y - 3.0 - across, 91.0, 6.0)
    return scene.picture.moved(scene.picture.within(box), lambda mm: mm + np.array([0.0, across]))


def strip_in_line(scene: Scene, along: float) -> Picture:
    """The strip once more over its own handle, moved along its axis by this distance, mm."""
    x, y = scene.pads["hardness"]
    box = (x - 5.5 + along, y - 3.0, 91.0, 6.0)
    return scene.picture.moved(scene.picture.within(box), lambda mm: mm - np.array([along, 0.0]))


def second_card(scene: Scene, share: float) -> Picture:
    """That share of the same picture once more to the right."""
    pixels = scene.picture.pixels
    return replace(scene.picture, pixels=np.hstack([pixels, pixels[:, :int(share * pixels.shape[1])]]))


def turned_strip(scene: Scene, degrees: float) -> Picture:
    """The bed with the strip turned by 0 or 180 degrees."""
    if degrees == 0:
        return scene.picture
    middle = np.array([BED.x + BED.w / 2, BED.y + BED.h / 2])
    return scene.picture.moved(scene.picture.within(ON_BED), lambda mm: 2 * middle - mm)


def broad_lamp(scene: Scene, veil: float) -> Picture:
    """A veil of light, some 3 cm wide, over pads and patches: glare adds light, it does not multiply it."""
    away = ((scene.picture.mm - scene.pads["ph"]) ** 2).sum(axis=-1, keepdims=True)
    return scene.picture.with_light(scene.picture.light + veil * np.exp(-0.5 * away / 15.0**2))


def shade_beside(scene: Scene, level: float) -> Picture:
    """The pH pad and the bed next to it in the shade of a finger."""
    return lamp_beside(scene, level)


def burnt_pad(scene: Scene, gain: float) -> Picture:
    """The palest pad lit until two of its channels reach the top of the scale."""
    return scene.picture.lit_within(scene.around("chlorine", (2.5, 2.5)), gain)


def colour_beside(scene: Scene, spread: float) -> Picture:
    """Coloured paper over the bed next to the pH pad, its channels' ratios ``spread`` apart."""
    x, y, w, h = scene.around("ph", (3, 6))
    return scene.picture.lit_within((x, y, w, h), np.array([1 + spread / 2, 1.0, 1 - spread / 2]))


def dried(scene: Scene, from_plastic: float) -> Picture:
    """The hardness pad paled until its colour lies some ``from_plastic`` (CIELAB) from the bare plastic."""
    where = scene.picture.within(scene.around("hardness", (2.5, 2.5)))
    light = scene.picture.light.copy()
    plastic = np.median(light[scene.picture.within(scene.blank_box)], axis=0)
    share = 1 - from_plastic / 34.0  # 6.8 was found at a share of 0.8
    light[where] = light[where] * (1 - share) + plastic * share
    return scene.picture.with_light(light)


def stained(scene: Scene, share: float) -> Picture:
    """Green of the hardness pad lessened and blue raised, off the way its colour goes."""
    return scene.picture.lit_within(scene.around("hardness", (2.5, 2.5)), np.exp([0.0, -share, share / 2]))


def yellow_water(scene: Scene, chroma: float) -> Picture:
    """Blue and some green taken from the blank area; the chroma (CIELAB) it gains."""
    k = chroma / 40.0
    return scene.picture.lit_within(scene.blank_box, np.exp([0.0, -k / 3, -k]))


def turbid_water(scene: Scene, lightness: float) -> Picture:
    """The blank area darkened to a lightness (L*)."""
    own = float(scene.seen.plastic[0]) if scene.seen.plastic is not None else 100.0
    return scene.picture.lit_within(scene.blank_box, ((lightness + 16) / (own + 16)) ** 3)


def half_wetted(scene: Scene, share: float) -> Picture:
    """The left half of the pH pad lighter by a share, as where water did not reach it."""
    x, y, w, h = scene.around("ph", (2.5, 2.5))
    return scene.picture.lit_within((x, y, w / 2, h), 1 + share)


def splashed(scene: Scene, strength: float) -> Picture:
    """A filter that keeps reds and takes the colour out of all else."""
    pixels = scene.picture.pixels.astype(float)
    grey = pixels.mean(axis=-1, keepdims=True)
    other = pixels.argmax(axis=-1, keepdims=True) != 0
    filtered = np.where(other, pixels + strength * (grey - pixels), pixels)
    return replace(scene.picture, pixels=np.rint(filtered).astype(np.uint8))


def less_dye(scene: Scene, share: float) -> Picture:
    """Pads whose K/S above that of white is less by a share (Kubelka and Munk), as of strips of another batch."""
    light = scene.picture.light.copy()
    paper = np.quantile(light.reshape(-1, 3), 0.98, axis=0)
    for analyte in scene.pads:
        pad = scene.picture.within(scene.around(analyte, (3.0, 3.0)))
        r = np.clip(light[pad] / paper, 0.01, 0.99)
        k = (1 - share) * (1 - r) ** 2 / (2 * r)
        light[pad] = (1 + k - np.sqrt(k * (k + 2))) * paper
    return scene.picture.with_light(light)


@dataclass(frozen=True)
class Border:
    """A fault just good enough and just worse, in the border's own measure wherever it has one."""

    flag: str
    fault: Fault
    just_good: float
    just_worse: float
    analyte: str = ""

    def __str__(self) -> str:
        return f"{self.flag}-{self.fault.__name__}"


#: Flags of the photograph.
BORDERS = (
    Border("small", smaller, 1.1 * checks.SMALL_PX_PER_MM, 0.9 * checks.SMALL_PX_PER_MM),
    Border("blurred", blurred, 0.9 * checks.BLURRED_MM, 1.2 * checks.BLURRED_MM),
    Border("dark", darker, 1.2 * checks.DARK, 0.8 * checks.DARK),
    # A weaker shadow is followed as uneven light, and changes no result.
    Border("shadow", shadow_edge, 0.20, 0.35),
    # Less is corrected and changes no result.
    Border("mixed-light", two_lights, 3 * checks.MIXED, 20 * checks.MIXED),
    Border("poor-light", other_lamp, 0.3, 1.0),
    Border("patches-covered", fingers_on_patches, checks.COVERED_PATCHES - 1, checks.COVERED_PATCHES),
    Border("card-worn", faded, 0.02, 0.04),
    Border("strip-reversed", turned_strip, 0.0, 180.0),
    # A photograph shows a difference of dye within 4 %.
    Border("strip-unlike-chart", less_dye, 0.04, 0.25),
    Border("water-coloured", yellow_water, checks.COLOURED_CHROMA - 1, checks.COLOURED_CHROMA + 1),
    Border("water-coloured", turbid_water, checks.TURBID_LIGHTNESS + 1, checks.TURBID_LIGHTNESS - 1),
)
#: Flags that refuse one pad; what is just good enough for them may still be off the chart.
PAD_BORDERS = (
    Border("glare", lamp_beside, checks.GLARE - 0.02, checks.GLARE + 0.02, "ph"),
    Border("pad-covered", shade_beside, checks.SHADED + 0.03, checks.SHADED - 0.03, "ph"),
    Border("pad-covered", colour_beside, checks.FOREIGN - 0.05, checks.FOREIGN + 0.05, "ph"),
    Border("off-chart", stained, 0.05, 0.08, "hardness"),
    Border("not-reacted", dried, 1.1 * DRY_LAB, 0.9 * DRY_LAB, "hardness"),
    Border("clipped", burnt_pad, 1.10, 1.35, "chlorine"),
)
#: Flags that refuse the whole photograph; what is just good enough is read, with or without them.
STOPS = (
    Border("small", smaller, 1.1 * checks.TOO_SMALL_PX_PER_MM, 0.9 * checks.TOO_SMALL_PX_PER_MM),
    Border("blurred", blurred, checks.TOO_BLURRED_MM, 1.25 * checks.TOO_BLURRED_MM),
    Border("dark", darker, 1.5 * checks.TOO_DARK, 0.6 * checks.TOO_DARK),
    Border("shadow", shadow_edge, 0.35, 0.65),
    Border("glare", broad_lamp, 0.03, 0.20),
    Border("card-worn", faded, 0.04, 0.06),
    Border("colours-off", splashed, 0.03, 0.9),
    Border("clipped", brighter, 1.0, 1.3),
    Border("no-strip", strip_up_to, 80.0, 70.0),
    Border("bed-not-clear", second_strip, 0.0, 3.0),
    Border("bed-not-clear", strip_in_line, 0.0, 8.0),
    Border("several-cards", second_card, 0.1, 0.4),
    Border("card-partial", hidden_markers, 1, 2),
    Border("no-card", hidden_markers, 1, 4),
    Border("mirrored", mirrored, 0.0, 1.0),
)


@pytest.mark.parametrize("border", BORDERS, ids=str)
def test_flag_of_a_photograph(reader: Reader, scene: Scene, good_reading: Reading, border: Border) -> None:
    """Just good enough: no such flag, and values that lie in each other's intervals. Just worse: the flag."""
    before = reader.read(border.fault(scene, border.just_good))
    assert border.flag not in all_flags(before)
    assert len(apart := shifts(before, good_reading)) == 5
    assert max(apart.values()) < 0.5
    assert border.flag in reader.read(border.fault(scene, border.just_worse)).flags


def test_two_lights_that_change_no_value_are_not_reported(reader: Reader, scene: Scene, good_reading: Reading) -> None:
    """They are seen, corrected and not reported: every value moves by less than half of its standard uncertainty."""
    picture = two_lights(scene, 3 * checks.MIXED)
    seen, reading = reader.observe(picture), reader.read(picture)
    assert "mixed-light" in checks.check_photograph(seen, CARD).flags
    assert not reading.flags
    u = {p.analyte: np.sqrt(sum(part.u**2 for part in p.budget)) for p in reading.pads}
    assert all(abs(value_of(reading, a) - value_of(good_reading, a)) < RELEVANT * u[a] for a in some(u))


@pytest.mark.parametrize("border", PAD_BORDERS, ids=str)
def test_flag_of_a_pad(reader: Reader, scene: Scene, good_reading: Reading, border: Border) -> None:
    """Just worse: this pad is refused with the flag, and says so; pads out of a lamp's halo are read as before."""
    assert border.flag not in all_flags(reader.read(border.fault(scene, border.just_good)))
    reading = reader.read(border.fault(scene, border.just_worse))
    refused, place = pad(reading, border.analyte), scene.pads[border.analyte]
    assert refused.flags == (border.flag,)
    assert (refused.status, refused.value, refused.low, refused.high) == ("no-result", None, None, None)
    assert FLAGS[border.flag].words in refused.reason
    far = {a for a, other in scene.pads.items() if abs(other[0] - place[0]) > checks.HALO_MM}
    assert far <= shifts(reading, good_reading).keys()
    assert max(shifts(reading, good_reading).values()) < 0.05


def test_uneven_pad_is_read_with_a_wider_interval(reader: Reader, scene: Scene, good_reading: Reading) -> None:
    """Half a pad lighter by 4 %: no flag. By 40 %: flagged, and the interval contains the even pad's value."""
    slightly, grossly = (pad(reader.read(half_wetted(scene, share)), "ph") for share in (0.04, 0.4))
    even = pad(good_reading, "ph")
    assert "pad-uneven" not in slightly.flags
    assert "pad-uneven" in grossly.flags
    assert even.value is not None
    assert grossly.low is not None
    assert grossly.high is not None
    assert grossly.low <= even.value <= grossly.high


@pytest.mark.parametrize("border", STOPS, ids=str)
def test_photograph_is_refused(reader: Reader, scene: Scene, good_reading: Reading, border: Border) -> None:
    """Just good enough: pads are read, none of them wrong. Just worse: no number, and why in the registry's words."""
    before = reader.read(border.fault(scene, border.just_good))
    assert before.status == "measured"
    assert max(shifts(before, good_reading).values()) < 0.5
    reading = reader.read(border.fault(scene, border.just_worse))
    words = FLAGS[border.flag].words
    assert reading.status == "no-result"
    assert not reading.values()
    assert border.flag in all_flags(reading)
    assert reading.reason == words or words in {p.reason.partition(": ")[2] for p in reading.pads}


def test_a_missing_profile_is_flagged_and_widens_intervals(reader: Reader, good: Picture,
                                                           good_reading: Reading) -> None:
    """Nominal colours in place of measured spectra: flagged, wider, and the intervals contain the true values."""
    reading = replace(reader, profiles=()).read(good)
    assert reading.flags == ("profile-missing",)
    wider = [(a.high - a.low) / (b.high - b.low) for a, b in zip(reading.values(), good_reading.values(), strict=True)]
    assert np.median(wider) > 1.3
    assert max(shifts(reading, good_reading).values()) < 0.5


def on_scale(curve: Curve, values: Array, *, high: float) -> Curve:
    """The curve as it runs through ``values`` (33,), drawn on even steps up to ``high``."""
    places = curve.scale.position(values)
    covariance = np.array([np.interp(places, curve.nodes, column) for column in np.array(curve.covariance).T]).T
    return msgspec.structs.replace(
        curve, scale=Scale(form="straight", low=float(values[0]), high=high), reach=1.0,
        weights=tuple(map(tuple, curve.weights_at(places).tolist())), covariance=tuple(map(tuple, covariance.tolist())))


def with_curve(chart: Chart, curve: Curve) -> Chart:
    """The chart with one curve exchanged."""
    curves = tuple(curve if c.analyte == curve.analyte else c for c in chart.curves)
    return msgspec.structs.replace(chart, curves=curves)


def value_of(reading: Reading, analyte: str) -> float:
    value = pad(reading, analyte).value
    assert value is not None
    return value


@pytest.mark.parametrize(("share", "status"), [(1.03, "measured"), (0.97, "above")])
def test_above_range(reader: Reader, good: Picture, good_reading: Reading, share: float, status: str) -> None:
    """A chart that ends just above or just below the value: read, or the chart's end and all beyond it."""
    curve, value = reader.chart.curve("hardness"), value_of(good_reading, "hardness")
    assert curve is not None
    short = on_scale(curve, np.linspace(0.0, share * value, len(curve.nodes)), high=share * value)
    got = pad(replace(reader, chart=with_curve(reader.chart, short)).read(good), "hardness")
    assert (got.status, "above-range" in got.flags) == (status, status == "above")
    if status == "above":
        assert got.value == pytest.approx(share * value)
        assert got.high == 2000.0  # the analyte's physical limit


@pytest.mark.parametrize(("share", "status"), [(0.995, "measured"), (1.005, "below")])
def test_below_range(reader: Reader, good: Picture, good_reading: Reading, share: float, status: str) -> None:
    """A chart that begins just below or just above the pH: read, or the chart's beginning and all below it."""
    curve, value = reader.chart.curve("ph"), value_of(good_reading, "ph")
    assert curve is not None
    late = on_scale(curve, np.linspace(share * value, 9.0, len(curve.nodes)), high=9.0)
    got = pad(replace(reader, chart=with_curve(reader.chart, late)).read(good), "ph")
    assert (got.status, "below-range" in got.flags) == (status, status == "below")
    if status == "below":
        assert got.value == pytest.approx(share * value)
        assert got.low == 0.0


@pytest.mark.parametrize(("back_to", "two"), [(1.6, False), (0.5, True)])
def test_two_values(reader: Reader, good: Picture, good_reading: Reading, back_to: float, *, two: bool) -> None:
    """A chart whose colour goes up to three times the value and back to above or below it."""
    curve, value = reader.chart.curve("hardness"), value_of(good_reading, "hardness")
    assert curve is not None
    up, back = np.linspace(0.0, 3 * value, 20), np.linspace(3 * value, back_to * value, 14)[1:]
    folded = on_scale(curve, np.concatenate([up, back]), high=400.0)
    got = pad(replace(reader, chart=with_curve(reader.chart, folded)).read(good), "hardness")
    assert ("two-values" in got.flags, bool(got.others)) == (two, two)
    if two:
        assert got.high is not None
        assert got.value is not None
        assert min(abs(other - got.value) for other in got.others) > 20


@pytest.mark.parametrize(("texture", "status"), [(0.02, "measured"), (0.4, "no-result")])
def test_too_uncertain(reader: Reader, good: Picture, texture: float, status: str) -> None:
    """A chart whose pads' colours scatter: a wide interval is stated, a useless one is a reason for no result."""
    curve = reader.chart.curve("hardness")
    assert curve is not None
    rough = with_curve(reader.chart, msgspec.structs.replace(curve, texture_sd=texture))
    got = pad(replace(reader, chart=rough).read(good), "hardness")
    assert (got.status, "too-uncertain" in got.flags) == (status, status == "no-result")
    assert ("is wider than" in got.reason) == (status == "no-result")


@pytest.mark.parametrize(("analyte", "value", "limit"), [
    ("hardness", 20.0, 60.0), ("hardness", 150.0, 150.0), ("ph", 9.0, 1.0), ("chlorine", 0.1, 0.5), ("iron", 0.1, 0.5)])
def test_widest_useful_interval(reader: Reader, analyte: str, value: float, limit: float) -> None:
    """Common practice, no source; an analyte without a width of its own has a quarter of the chart's range."""
    curve = reader.chart.curve("chlorine")
    assert curve is not None
    assert widest(analyte, value, msgspec.structs.replace(curve.scale, low=0.0, high=2.0)) == limit


@pytest.mark.parametrize(("lowest", "vouched"), [(0.98, True), (1.02, False)])
def test_outside_validity(
    reader: Reader, good: Picture, good_reading: Reading, lowest: float, *, vouched: bool,
) -> None:
    """A strip type that is validated for pH only from an alkalinity just below or just above the one found."""
    limit = lowest * value_of(good_reading, "alkalinity")
    pads = tuple(msgspec.structs.replace(p, valid_when={"alkalinity": (limit, 240.0)}) if p.analyte == "ph" else p
                 for p in reader.chart.strip.pads)
    chart = msgspec.structs.replace(reader.chart, strip=msgspec.structs.replace(reader.chart.strip, pads=pads))
    reading = replace(reader, chart=chart).read(good)
    assert (pad(reading, "ph").flags == ()) is vouched
    assert (pad(reading, "ph").flags == ("outside-validity",)) is not vouched
    assert value_of(reading, "ph") == pytest.approx(value_of(good_reading, "ph"))


def test_a_finger_on_the_handle_moves_no_pad(reader: Reader, scene: Scene, good_reading: Reading) -> None:
    """Where it hides the handle's end, the strip's place follows from plastic and pads."""
    for x in (70.0, 90.0, 100.0, 104.0):
        reading = reader.read(scene.picture.painted((x, 44.0, 20.0, 16.0), SKIN))
        assert len(apart := shifts(reading, good_reading)) == 5
        assert max(apart.values()) < 0.05


def test_every_flag_of_a_reading_is_made_above() -> None:
    made = {border.flag for border in (*BORDERS, *PAD_BORDERS, *STOPS)}
    made |= {"profile-missing", "above-range", "below-range", "two-values", "outside-validity", "pad-uneven",
             "too-uncertain"}
    assert made == FLAGS.keys() - NOT_OF_A_READING

"""The viewer's parts without a window: words, policy, replay clock, map, state, keys, colours."""

from __future__ import annotations

import re
from fractions import Fraction

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.clock import ManualClock
from bridge.messages import BandChance, Quantity, Ruling, Snapshot
from overlay import words
from overlay.example import Example
from overlay.ink import hip_at, line_y, px_per_cm
from overlay.keys import BINDINGS, Binding, key_table
from overlay.picture_map import PictureMap
from overlay.pixels import ClipError, decode_clip, frame_image, image_of
from overlay.policy import LEVELS, first_level, includes, limited
from overlay.replay import FrameStore, Loop
from overlay.state import SessionState
from overlay.theme import THEMES, VIDEO_HALO, VIDEO_HIPS, VIDEO_LINE, base_size_px, contrast

MS = 1_000_000
EXAMPLE = Example(320)


# --- words ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u", "said"),
    [
        (0.12, 0.012, "hips 12 cm above the high bar, give or take 3 cm (95 %)"),
        (-0.075, 0.01, "hips 8 cm below the high bar, give or take 2 cm (95 %)"),
        (0.004, 0.0251, "hips at the high bar, give or take 6 cm (95 %)"),
        (0.3, 0.0001, "hips 30 cm above the high bar, give or take 1 cm (95 %)"),
    ],
)
def test_height_is_said_with_its_give_or_take_rounded_up(value: float, u: float, said: str) -> None:
    assert words.height_sentence(Quantity(value, u, "m"), "high bar") == said


@given(st.floats(1e-6, 2.0))
def test_the_words_never_promise_more_than_the_measurement(u_m: float) -> None:
    cm = words.give_or_take_cm(u_m)
    assert cm >= 200.0 * u_m - 1e-6
    assert cm - 1 < max(200.0 * u_m, 1.0)


def test_too_close_to_call_names_both_bands_and_no_range_is_added_up() -> None:
    reading = EXAMPLE.readings()[3]
    assert words.band_sentence(reading) == "too close to call: above (62 %) or level (38 %)"
    assert words.range_sentence(None) == ""
    assert words.range_sentence((0.0, 0.0)) == "range in the table: none"
    assert words.range_sentence((0.15, 0.2), "t") == "range in the table (t): 0.15 to 0.20"
    three = (BandChance("a", 0.2), BandChance("b", 0.5), BandChance("c", 0.3))
    assert [c.band for c in words.candidates(three)] == ["b", "c"]


@given(st.floats(0.0, 1.0))
def test_a_probability_is_never_said_to_be_certain(p: float) -> None:
    said = words.percent(p)
    assert said not in ("0 %", "100 %")


def test_states_are_said_with_their_reason() -> None:
    provisional = EXAMPLE.readings()[5]
    assert words.state_sentence(provisional) == "provisional, it settles after the landing"
    withheld = EXAMPLE.readings()[4]
    assert words.state_sentence(withheld) == "withheld: the camera was moved during the flight"
    assert words.feed_lost_sentence(3_900_000_000) == "Feed lost. Last picture 3 s ago."
    assert words.bar_name("line", "wall top") == "wall top"


def test_a_flight_is_never_described_beyond_its_level() -> None:
    reading = EXAMPLE.readings()[0]
    plain = words.flight_sentence(reading, "picture")
    assert "cm" not in plain
    assert "above" not in plain
    assert "31 cm above the high bar" in words.flight_sentence(reading, "height")
    assert "sure" not in words.flight_sentence(reading, "height")
    assert "over 99 % sure" in words.flight_sentence(reading, "band")


# --- policy ---------------------------------------------------------------------------------


def test_each_level_includes_the_ones_before() -> None:
    for i, level in enumerate(LEVELS):
        for j, wanted in enumerate(LEVELS):
            assert includes(level, wanted) == (i >= j)
            assert limited(wanted, level) == LEVELS[min(i, j)]


def test_a_meet_begins_with_the_plain_picture_and_training_with_all() -> None:
    assert first_level(EXAMPLE.scene("band", training=False)) == "picture"
    assert first_level(EXAMPLE.scene("height", training=True)) == "height"


# --- replay ---------------------------------------------------------------------------------


def test_the_loop_runs_at_true_half_quarter_eighth_speed_and_begins_again() -> None:
    clock = ManualClock()
    times = tuple(range(0, 1001 * MS, 20 * MS))
    loop = Loop(times, clock, rest_ns=0)
    loop.restart()
    seen = []
    for speed, took_s in ((1, 1), (Fraction(1, 2), 2), (Fraction(1, 4), 4), (Fraction(1, 8), 8), (1, 1)):
        assert loop.speed == speed
        clock.advance(took_s * 500 * MS)
        assert loop.index == 25  # half way
        clock.advance(took_s * 500 * MS)
        assert loop.index == 0
        seen.append(loop.views)
    assert seen == [1, 2, 3, 4, 5]


def test_a_chosen_speed_stays_and_keeps_the_place() -> None:
    clock = ManualClock()
    loop = Loop(tuple(range(0, 1001 * MS, 20 * MS)), clock, rest_ns=0)
    loop.restart()
    clock.advance(400 * MS)
    loop.choose_speed(Fraction(1, 8))
    assert loop.position_ns == 400 * MS
    clock.advance(800 * MS)
    assert loop.position_ns == 500 * MS
    clock.advance(8_000 * MS)
    assert loop.speed == Fraction(1, 8)
    loop.faster()
    assert loop.speed == Fraction(1, 4)


def test_stepping_stops_and_stays_within_the_span() -> None:
    clock = ManualClock()
    times = (0, 17 * MS, 33 * MS, 70 * MS)  # uneven on purpose: frames go by time, not by number
    loop = Loop(times, clock)
    loop.restart()
    clock.advance(34 * MS)
    assert loop.index == 2
    loop.step(1)
    assert not loop.playing
    assert loop.index == 3
    loop.step(1)
    assert loop.index == 3
    loop.step(-9)
    assert loop.index == 0
    loop.freeze(50 * MS)
    assert loop.index == 2
    clock.advance(10_000 * MS)
    assert loop.index == 2
    loop.toggle()
    assert loop.playing


def test_missing_frames_are_counted_from_the_times() -> None:
    step = 16_666_667
    whole = FrameStore(tuple(i * step for i in range(60)), [0] * 60)
    assert whole.missing() == 0
    times = tuple(i * step for i in range(60) if i not in (10, 11, 40))
    assert FrameStore(times, [0] * 57).missing() == 3
    with pytest.raises(ValueError, match="increase"):
        FrameStore((5, 5), [0, 0])
    with pytest.raises(ValueError, match="one time"):
        FrameStore((), [])


# --- pixels ---------------------------------------------------------------------------------


@given(st.integers(1, 67), st.integers(1, 9), st.booleans())
def test_pictures_of_any_width_keep_their_rows_and_own_their_pixels(
    width: int, height: int, sliced: bool
) -> None:
    pixels = np.random.default_rng(7).integers(0, 255, (height, width * 2, 4), dtype=np.uint8)
    pixels = pixels[:, ::2] if sliced else np.ascontiguousarray(pixels[:, :width])
    kept = pixels.copy()
    image = image_of(pixels)
    pixels[...] = 0
    for y in (0, height - 1):
        for x in (0, width - 1):
            colour = image.pixelColor(x, y)
            assert [colour.blue(), colour.green(), colour.red()] == kept[y, x, :3].tolist()


def test_a_clip_is_decoded_from_its_begin_on_and_reduced_to_the_memory_given() -> None:
    reading = EXAMPLE.readings()[0]
    clip = EXAMPLE.clip(reading, 0.31)
    late = msgspec.structs.replace(clip, begin_ns=clip.times_ns[7])
    store = decode_clip(late)
    assert store.times_ns == clip.times_ns[7:]
    image = frame_image(store.frames[store.nearest(reading.apex_ns)])
    assert (image.width(), image.height()) == EXAMPLE.picture
    truth = EXAMPLE.frame(0.31, store.times_ns[store.nearest(reading.apex_ns)] - reading.apex_ns)
    hip_x, hip_y = (round(v) for v in EXAMPLE.hip(0.31, 0))
    assert abs(image.pixelColor(hip_x, hip_y).lightness() - truth.pixelColor(hip_x, hip_y).lightness()) < 40
    small = decode_clip(clip, memory_bytes=400_000)
    assert sum(1.5 * f.width * f.height for f in small.frames) <= 400_000
    with pytest.raises(ClipError, match="cannot be read"):
        decode_clip(msgspec.structs.replace(clip, matroska=b"nothing"))
    with pytest.raises(ClipError, match="no picture"):
        decode_clip(msgspec.structs.replace(clip, begin_ns=clip.end_ns + 1))


# --- map and ink ----------------------------------------------------------------------------


@given(
    st.tuples(st.integers(2, 4001), st.integers(2, 3001)),
    st.tuples(st.integers(1, 2500), st.integers(1, 1700)),
    st.sampled_from((1.0, 1.25, 2.0)),
    st.floats(1.0, 12.0),
    st.tuples(st.floats(-0.5, 1.5), st.floats(-0.5, 1.5)),
)
def test_the_map_goes_there_and_back(
    picture: tuple[int, int],
    view: tuple[int, int],
    dpr: float,
    zoom: float,
    part: tuple[float, float],
) -> None:
    pmap = PictureMap(picture, (0.0, 0.0, view[0] * dpr, view[1] * dpr))
    pmap = pmap.zoomed(zoom, (part[0] * view[0] * dpr, part[1] * view[1] * dpr))
    point = (part[0] * picture[0], part[1] * picture[1])
    back = pmap.to_picture(pmap.to_view(point))
    assert back == pytest.approx(point, abs=1e-6 * max(picture))
    left, top, width, height = pmap.visible
    assert left >= -1e-6
    assert top >= -1e-6
    assert left + width <= view[0] * dpr + 1e-6
    assert top + height <= view[1] * dpr + 1e-6


@pytest.mark.parametrize("dpr", [1.0, 1.25, 2.0])
def test_the_picture_fits_and_stands_against_the_margin(dpr: float) -> None:
    pmap = PictureMap((1920, 1080), (0.0, 0.0, 1000 * dpr, 500 * dpr))
    left, top, width, height = pmap.target
    assert (top, height) == pytest.approx((0.0, 500 * dpr))
    assert left + width == pytest.approx(1000 * dpr)
    assert pmap.to_view((-0.5, -0.5)) == pytest.approx((left, top))
    assert pmap.to_view((1919.5, 1079.5)) == pytest.approx((left + width, top + height))


def test_zoom_keeps_the_point_under_the_pointer_and_pan_stops_at_the_edge() -> None:
    pmap = PictureMap((1920, 1080), (0.0, 0.0, 1920.0, 1080.0)).zoomed(2.0, (700.0, 400.0))
    assert pmap.to_picture((700.0, 400.0)) == pytest.approx((699.5, 399.5))
    far = pmap.moved(1e6, 1e6)
    assert far.to_picture((0.0, 0.0)) == pytest.approx((-0.5, -0.5))
    assert far.moved(-10.0, 0.0).to_picture((0.0, 0.0))[0] == pytest.approx(4.5)


def test_hips_follow_the_path_between_frames_and_stop_at_its_ends() -> None:
    drawing = EXAMPLE.readings()[0].drawing
    assert drawing is not None
    a, b = drawing.hips[3], drawing.hips[4]
    middle = hip_at(drawing.hips, (a.t_ns + b.t_ns) // 2)
    assert middle == pytest.approx(((a.x + b.x) / 2, (a.y + b.y) / 2))
    assert hip_at(drawing.hips, drawing.hips[0].t_ns - 1) is None
    assert hip_at((), 0) is None
    assert px_per_cm(drawing) == pytest.approx(EXAMPLE.px_per_m / 100.0)
    assert line_y(drawing.line, drawing.line.a[0]) == pytest.approx(drawing.line.a[1])


# --- state ----------------------------------------------------------------------------------


def snapshot(count: int) -> Snapshot:
    return Snapshot(
        seq=count, scene=EXAMPLE.scene(), routines=(EXAMPLE.routine(),), readings=EXAMPLE.readings()[:count]
    )


def test_the_newest_is_chosen_until_the_judge_chooses() -> None:
    state = SessionState()
    state.apply(snapshot(2))
    assert state.flight == "r1-f2"
    state.apply(EXAMPLE.readings()[2])
    assert state.flight == "r1-f3"
    state.choose("r1-f1")
    state.apply(EXAMPLE.readings()[3])
    assert state.flight == "r1-f1"
    assert len(state.flights()) == 4
    assert state.neighbour(-1) == "r1-f1"
    assert state.neighbour(2) == "r1-f3"
    state.follow()
    assert state.flight == "r1-f4"


def test_a_new_routine_is_followed_but_never_takes_a_choice_away() -> None:
    state = SessionState()
    state.apply(snapshot(2))
    state.choose("r1-f1")
    state.apply(EXAMPLE.routine(2))
    state.apply(EXAMPLE.reading(1, 0.1, routine=2))
    assert (state.routine, state.flight) == (1, "r1-f1")
    state.choose_routine(2)
    assert state.flight == "r2-f1"


def test_a_snapshot_replaces_everything() -> None:
    state = SessionState()
    state.apply(snapshot(3))
    state.choose("r1-f3")
    state.apply(Ruling(flight="r1-f3", decision="level"))
    state.apply(snapshot(1))
    assert list(state.readings) == ["r1-f1"]
    assert state.rulings == {}
    assert state.flight == "r1-f1"


def test_the_policy_limits_what_was_asked_for() -> None:
    state = SessionState()
    assert state.level == "picture"
    state.apply(EXAMPLE.scene("line"))
    assert state.level == "picture"
    state.show("band")
    assert state.level == "line"
    state.apply(EXAMPLE.scene("band"))  # the policy is widened during the meet
    assert state.level == "band"


# --- keys and colours -------------------------------------------------------------------------


def test_no_key_does_two_things() -> None:
    assert len(key_table()) == sum(len(b.keys) for b in BINDINGS)
    with pytest.raises(ValueError, match="bound to"):
        key_table((*BINDINGS, Binding("other", ("Space",), "", "")))
    with pytest.raises(ValueError, match="listed twice"):
        key_table((*BINDINGS, Binding("toggle", ("F9",), "", "")))


@pytest.mark.parametrize("theme", THEMES, ids=lambda t: t.name)
def test_every_text_colour_can_be_read(theme: object) -> None:
    for paper in (theme.paper, theme.field):  # type: ignore[attr-defined]
        for text in ("ink", "quiet", "line", "hips"):
            assert contrast(getattr(theme, text), paper) >= 4.5, (text, paper)
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)


def test_inks_over_the_picture_stand_out_from_their_halo() -> None:
    for ink in (VIDEO_LINE, VIDEO_HIPS):
        assert contrast(ink, VIDEO_HALO) >= 4.5


@pytest.mark.parametrize("size", [(640, 400), (1280, 800), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize("theme", THEMES, ids=lambda t: t.name)
def test_no_text_is_small(theme: object, size: tuple[int, int]) -> None:
    base = base_size_px(*size)
    assert base >= 14
    sizes = [int(n) for n in re.findall(r"font-size: (\d+)px", theme.sheet(base))]  # type: ignore[attr-defined]
    assert min(sizes) >= 14

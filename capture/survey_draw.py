"""Draws a survey over its picture: poles as seen, points, rail lines with their bands, and the words."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.survey import Survey

Image = NDArray[np.uint8]

# Okabe & Ito (2008), as BGR; each kind of mark has its own shape too.
SEEN: Final = (66, 228, 240)  # yellow dots: midlines found
LINE: Final = (233, 180, 86)  # blue: rail lines with their band
POINT: Final = (0, 159, 230)  # orange crosses: survey points
INK: Final = (255, 255, 255)
HALO: Final = (20, 16, 16)
COVERAGE: Final = 2.0  # bands are twice the standard uncertainty to either side


def draw_survey(picture: Image, found: Survey) -> Image:
    """A copy of the picture (h, w, 3) BGR with all of the survey on it and its words below."""
    out = picture.copy()
    width = out.shape[1]
    size = width / 1920
    for pole in found.seen.poles if found.seen is not None else ():
        for x, y in pole.found.centre_px[pole.used]:
            cv2.circle(
                out, (round(float(x)), round(float(y))), max(1, round(1.5 * size)), SEEN, -1, cv2.LINE_AA
            )
    if found.camera is not None:
        for line in found.camera.lines():
            (ax, ay), (bx, by) = line.a, line.b
            half = COVERAGE * line.u_px
            band = np.array([[ax, ay - half], [bx, by - half], [bx, by + half], [ax, ay + half]])
            shade = out.copy()
            cv2.fillPoly(shade, [np.rint(band * 16).astype(np.int32)], LINE, cv2.LINE_AA, 4)
            out = np.asarray(cv2.addWeighted(shade, 0.45, out, 0.55, 0), np.uint8)
            ends = np.rint(np.array([line.a, line.b]) * 16).astype(np.int32)
            cv2.line(out, tuple(ends[0]), tuple(ends[1]), LINE, max(1, round(1.5 * size)), cv2.LINE_AA, 4)
            _say(out, f"{line.label}, +/- {half:.1f} px", (ax, ay - 10 * size), 0.6 * size)
    arm = 9 * size
    for point in found.points:
        x, y = point.px
        for dx, dy in ((arm, 0), (0, arm)):
            a = (round((x - dx) * 16), round((y - dy) * 16))
            b = (round((x + dx) * 16), round((y + dy) * 16))
            cv2.line(out, a, b, HALO, max(1, round(4 * size)), cv2.LINE_AA, 4)
            cv2.line(out, a, b, POINT, max(1, round(2 * size)), cv2.LINE_AA, 4)
        _say(out, point.name, (x + 12 * size, y + 5 * size), 0.55 * size)
    return _with_words(out, summary(found), size)


def summary(found: Survey) -> list[str]:
    """The survey in words, line by line."""
    from capture.survey import line_u_m

    camera = found.camera
    if camera is None:
        lines = [f"no camera: {found.problem}"]
    else:
        by = "found automatically" if found.automatic else "set by hand"
        if not found.automatic and not any(p.by_hand for p in found.points):
            by = "a proposal: look at every point and drag what is off"
        lines = [f"camera {camera.words()}; {by}"]
        for line in camera.lines():
            cm = 100 * COVERAGE * line_u_m(camera, line.rail)
            lines.append(
                f"{line.label} line at mid-rail: give or take {cm:.1f} cm, "
                f"{COVERAGE * line.u_px:.1f} px (95 %)"
            )
        lines.append(f"a reading from here: give or take {200 * camera.expected_u_m():.0f} cm (95 %)")
    lines += [f"better: {words}" for words in found.better]
    return lines + [f"look: {w.words}" for w in found.warnings]


def _say(out: Image, text: str, at: tuple[float, float], scale: float) -> None:
    place = (round(at[0]), round(at[1]))
    for colour, dx, dy in ((HALO, -1, 0), (HALO, 1, 0), (HALO, 0, -1), (HALO, 0, 1), (INK, 0, 0)):
        at_ = (place[0] + dx, place[1] + dy)
        cv2.putText(out, text, at_, cv2.FONT_HERSHEY_SIMPLEX, scale, colour, 1, cv2.LINE_AA)


def _with_words(out: Image, lines: list[str], size: float) -> Image:
    step = round(34 * size)
    strip = np.full((step * len(lines) + round(20 * size), out.shape[1], 3), 24, np.uint8)
    for i, line in enumerate(lines):
        place = (round(20 * size), round((i + 1) * step))
        cv2.putText(
            strip,
            line,
            place,
            cv2.FONT_HERSHEY_SIMPLEX,
            0.8 * size,
            INK,
            max(1, round(1.6 * size)),
            cv2.LINE_AA,
        )
    return np.vstack([out, strip])

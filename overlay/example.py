"""An invented session, for the gallery of screens and for trying the viewer without an arena.

Nothing here is measured: heights, times and the drawn hall are made up.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import av
import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QImage, QLinearGradient, QPainter, QPen

from bridge.messages import (
    BandChance,
    Clip,
    Drawing,
    EndKind,
    Moment,
    PathPoint,
    Policy,
    Pose,
    Quantity,
    RailLine,
    Reading,
    Routine,
    Scene,
    State,
    Tick,
)

G: Final = 9.81  # m/s2
FPS: Final = 60
FRAME_NS: Final = 1_000_000_000 // FPS
HALF_NS: Final = 380_000_000  # from release to apex
ABOUT_NS: Final = 600_000_000  # recorded before release and after the end


@dataclass(frozen=True, slots=True)
class Example:
    """The invented session, drawn ``width`` pixels wide (16:9)."""

    width: int = 1920

    @property
    def picture(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.width, self.width * 9 // 16

    @property
    def _s(self) -> float:
        return self.width / 1920.0

    @property
    def px_per_m(self) -> float:
        """Scale of the drawn hall."""
        return 250.0 * self._s

    def _bar(self, rail: str) -> tuple[float, float]:
        """Where a bar's top is drawn."""
        return (900.0 * self._s, 470.0 * self._s) if rail == "high" else (1330.0 * self._s, 670.0 * self._s)

    def line(self, rail: str) -> RailLine:
        """A bar's line, a little tilted as cameras are."""
        x, y = self._bar(rail)
        reach = 800.0 * self._s
        return RailLine(
            rail=rail,
            a=(x - reach, y + 0.004 * reach),
            b=(x + reach, y - 0.004 * reach),
            u_px=3.0 * self._s,
        )

    def scene(self, policy: Policy = "band", training: bool = False) -> Scene:
        """What is known before the first picture."""
        return Scene(
            title="Rehearsal cup, hall B",
            picture=self.picture,
            lines=(self.line("high"), self.line("low")),
            table="example table 2026",
            policy=policy,
            place="10 m away, 2.4 m high",
            expected_u_m=0.016,
            training=training,
        )

    def routine(self, number: int = 1, start_number: str = "114") -> Routine:
        """A routine."""
        return Routine(routine=number, start_number=start_number, begin_ns=number * 60_000_000_000)

    def hip(self, apex_m: float, t_ns: int) -> tuple[float, float]:
        """Hips in the picture, ``t_ns`` from the apex, px."""
        x, y = self._bar("high")
        t = t_ns / 1e9
        z = apex_m - 0.5 * G * t * t
        return x + (60.0 * self._s) - 0.9 * t * self.px_per_m, y - z * self.px_per_m

    def reading(
        self,
        number: int,
        apex_m: float,
        *,
        band: str = "level",
        chances: tuple[tuple[str, float], ...] = (("level", 0.97), ("above", 0.03)),
        family: str = "salto_regrasp",
        state: State = "settled",
        reason: str = "",
        span: tuple[float, float] | None = (0.05, 0.05),
        end_kind: EndKind = "regrasp",
        u_m: float = 0.013,
        routine: int = 1,
    ) -> Reading:
        """One flight's reading."""
        apex_ns = routine * 60_000_000_000 + number * 6_000_000_000
        steps = range(-HALF_NS, HALF_NS + 1, FRAME_NS)
        path = tuple(PathPoint(apex_ns + t, *self.hip(apex_m, t)) for t in steps)
        top = self.hip(apex_m, 0)
        line = self.line("high")
        slope = (line.b[1] - line.a[1]) / (line.b[0] - line.a[0])
        zero = line.a[1] + slope * (top[0] - line.a[0])
        ticks = tuple(
            Tick(cm=cm, x=top[0], y=zero - cm / 100.0 * self.px_per_m) for cm in range(-100, 101, 10)
        )
        withheld = state == "withheld"
        height = None if withheld else Quantity(apex_m, u_m, "m")
        rise = Quantity(G * HALF_NS / 1e9, 0.05, "m/s")
        return Reading(
            flight=f"r{routine}-f{number}",
            routine=routine,
            number=number,
            state=state,
            reason=reason,
            family=family,
            family_p=0.99,
            rail="high",
            release_ns=apex_ns - HALF_NS,
            apex_ns=apex_ns,
            end_ns=apex_ns + HALF_NS,
            end_kind=end_kind,
            apex=height,
            band="" if withheld else band,
            band_p=0.0 if withheld else chances[0][1],
            chances=() if withheld else tuple(BandChance(name, p) for name, p in chances),
            range=None if withheld else span,
            gravity=Quantity(9.78, 0.11, "m/s2"),
            moments=()
            if height is None
            else (
                Moment(
                    name="release",
                    t_ns=apex_ns - HALF_NS,
                    height=Quantity(apex_m - 0.5 * G * (HALF_NS / 1e9) ** 2, u_m, "m"),
                    rise=rise,
                ),
                Moment(name="apex", t_ns=apex_ns, height=height, rise=Quantity(0.0, 0.05, "m/s")),
            ),
            drawing=Drawing(line=line) if withheld else Drawing(line=line, hips=path, apex=top, scale=ticks),
        )

    def readings(self) -> tuple[Reading, ...]:
        """One flight of every kind a judge meets."""
        return (
            self.reading(1, 0.31, band="above", chances=(("above", 0.999), ("level", 0.001)),
                         family="counter_regrasp", span=(0.0, 0.0)),
            self.reading(2, 0.02),
            self.reading(3, -0.24, band="below", chances=(("below", 0.998), ("level", 0.002)),
                         family="low_to_high", span=(0.15, 0.20)),
            self.reading(4, 0.11, band="too close to call", chances=(("above", 0.62), ("level", 0.38)),
                         family="salto_regrasp", span=None),
            self.reading(5, 0.0, state="withheld", family="high_to_low_overshoot",
                         reason="the camera was moved during the flight"),
            self.reading(6, 0.42, band="above", chances=(("above", 0.999), ("level", 0.001)),
                         family="dismount", span=(0.0, 0.0), state="provisional", end_kind="landing"),
        )  # fmt: skip

    def joints(self, apex_m: float, t_ns: int) -> tuple[tuple[float, float], ...]:
        """The drawn gymnast's fourteen joints, px, in the order of bridge.skeleton."""
        hx, hy = self.hip(apex_m, min(max(t_ns, -HALF_NS), HALF_NS))
        lean = 0.5 + 5.6 * t_ns / (2 * HALF_NS)
        m = self.px_per_m

        def along(x: float, y: float, angle: float, length: float) -> tuple[float, float]:
            return x + m * length * math.sin(angle), y - m * length * math.cos(angle)

        neck = along(hx, hy, lean, 0.48)
        head = along(*neck, lean, 0.24)
        out: list[tuple[float, float]] = []
        for side in (0.05, -0.05):
            knee = along(hx, hy, lean + math.pi - 0.5 + side, 0.38)
            ankle = along(*knee, lean + math.pi + 0.35 + side, 0.37)
            hip = (hx + side * 0.6 * m, hy)
            out += [ankle, knee, hip] if side > 0 else [hip, knee, ankle]
        for side in (0.12, -0.12):
            shoulder = (neck[0] + side * 0.4 * m, neck[1] + 0.04 * m)
            elbow = along(*shoulder, lean + 0.6 + side, 0.26)
            wrist = along(*elbow, lean + 0.2 + side, 0.24)
            out += [wrist, elbow, shoulder] if side > 0 else [shoulder, elbow, wrist]
        return (*out, neck, head)

    def pose(self, apex_m: float, t_ns: int, at_ns: int) -> Pose:
        """The followed gymnast, ``t_ns`` from the apex, at capture time ``at_ns``."""
        return Pose(t_ns=at_ns, joints=self.joints(apex_m, t_ns), phase="flight")

    def frame(self, apex_m: float, t_ns: int) -> QImage:
        """The drawn hall with the gymnast ``t_ns`` from the apex."""
        width, height = self.picture
        image = QImage(width, height, QImage.Format.Format_RGB32)
        painter = QPainter(image)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        wall = QLinearGradient(0, 0, 0, height)
        for place, shade in ((0.0, 150), (0.72, 118), (0.73, 84), (1.0, 70)):
            wall.setColorAt(place, QColor(shade, shade, shade + 4))
        painter.fillRect(image.rect(), wall)
        s = self._s
        for i in range(14):
            grey = 128 + (i * 37) % 40
            painter.fillRect(QRectF(140.0 * i * s, 40 * s, 96 * s, 150 * s), QColor(grey, grey, grey))
        floor = 960.0 * s
        painter.fillRect(QRectF(250 * s, floor, 1420 * s, 70 * s), QColor(96, 104, 118))
        for rail in ("high", "low"):
            x, y = self._bar(rail)
            painter.setPen(QPen(QColor(60, 60, 64), 10 * s))
            painter.drawLine(QPointF(x, y + 4 * s), QPointF(x, floor))
            painter.setPen(QPen(QColor(200, 178, 140), 13 * s))
            painter.drawPoint(QPointF(x, y + 5 * s))
        self._figure(painter, self.joints(apex_m, t_ns), s)
        painter.end()
        return image

    @staticmethod
    def _figure(painter: QPainter, joints: tuple[tuple[float, float], ...], s: float) -> None:
        skin, suit = QColor(196, 160, 138), QColor(52, 62, 92)
        at = [QPointF(*j) for j in joints]

        def limb(i: int, j: int, width: float, colour: QColor) -> None:
            pen = QPen(colour, width * s)
            pen.setCapStyle(Qt.PenCapStyle.RoundCap)
            painter.setPen(pen)
            painter.drawLine(at[i], at[j])

        for i, j in ((0, 1), (1, 2), (5, 4), (4, 3), (6, 7), (7, 8), (11, 10), (10, 9)):
            limb(i, j, 26 if i in (0, 1, 5, 4) else 18, skin)
        for i, j in ((2, 12), (3, 12), (8, 9)):
            limb(i, j, 42, suit)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(88, 62, 50))
        painter.drawEllipse((at[12] + at[13]) / 2, 27 * s, 27 * s)

    def clip(self, reading: Reading, apex_m: float) -> Clip:
        """The flight as a recording of H.264 in Matroska, no B-frames."""
        begin, end = reading.release_ns - ABOUT_NS, reading.end_ns + ABOUT_NS
        times = tuple(range(begin, end + 1, FRAME_NS))
        width, height = self.picture
        sink = io.BytesIO()
        with av.open(sink, mode="w", format="matroska") as container:
            stream = container.add_stream("libx264", rate=FPS)
            stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
            stream.codec_context.time_base = Fraction(1, FPS)
            stream.options = {"preset": "ultrafast", "bf": "0", "g": "30"}
            for i, t_ns in enumerate(times):
                image = self.frame(apex_m, t_ns - reading.apex_ns)
                rows = np.frombuffer(image.constBits(), np.uint8).reshape(height, image.bytesPerLine())
                pixels = np.ascontiguousarray(rows[:, : 4 * width]).reshape(height, width, 4)
                frame = av.VideoFrame.from_ndarray(pixels, format="bgra")
                frame.pts = i
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
        return Clip(
            flight=reading.flight,
            matroska=sink.getvalue(),
            times_ns=times,
            begin_ns=begin,
            end_ns=end,
        )

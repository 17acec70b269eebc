"""Where a point of the picture lies on the screen. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from bridge.messages import Point

LARGEST_ZOOM: Final = 12.0


@dataclass(frozen=True, slots=True)
class PictureMap:
    """Maps picture coordinates to device pixels of the view, and back.

    A picture coordinate counts from the centre of the first pixel, so pixel (0, 0) covers
    -0.5 to 0.5. The whole picture fits ``area`` (left, top, width, height, device px) at zoom 1,
    against its right edge, where the margin with the height scale begins. ``centre`` is the
    picture point in the middle of the area; None is the middle of the picture.
    """

    picture: tuple[int, int]
    area: tuple[float, float, float, float]
    zoom: float = 1.0
    centre: Point | None = None

    @property
    def scale(self) -> float:
        """Device pixels per picture pixel."""
        return min(self.area[2] / self.picture[0], self.area[3] / self.picture[1]) * self.zoom

    @property
    def origin(self) -> Point:
        """Where the picture's outer top left corner lies, device px."""
        left, top, width, height = self.area
        scale = self.scale
        middle = self.centre or ((self.picture[0] - 1) / 2.0, (self.picture[1] - 1) / 2.0)
        full = (self.picture[0] * scale, self.picture[1] * scale)
        x = left + width / 2.0 - (middle[0] + 0.5) * scale
        y = top + height / 2.0 - (middle[1] + 0.5) * scale
        x = left + width - full[0] if full[0] <= width else min(left, max(left + width - full[0], x))
        y = top + (height - full[1]) / 2.0 if full[1] <= height else min(top, max(top + height - full[1], y))
        return x, y

    @property
    def target(self) -> tuple[float, float, float, float]:
        """The whole picture's rectangle, device px: left, top, width, height."""
        x, y = self.origin
        return x, y, self.picture[0] * self.scale, self.picture[1] * self.scale

    @property
    def visible(self) -> tuple[float, float, float, float]:
        """The part of the area that the picture covers, device px: left, top, width, height."""
        left, top, width, height = self.area
        x, y, w, h = self.target
        x0, y0 = max(left, x), max(top, y)
        return x0, y0, min(left + width, x + w) - x0, min(top + height, y + h) - y0

    def to_view(self, point: Point) -> Point:
        """Picture coordinates to device pixels."""
        x, y = self.origin
        return x + (point[0] + 0.5) * self.scale, y + (point[1] + 0.5) * self.scale

    def to_picture(self, point: Point) -> Point:
        """Device pixels to picture coordinates."""
        x, y = self.origin
        return (point[0] - x) / self.scale - 0.5, (point[1] - y) / self.scale - 0.5

    def zoomed(self, factor: float, at: Point) -> PictureMap:
        """Zoom by ``factor`` about the device point ``at``, which keeps its picture point."""
        zoom = min(max(self.zoom * factor, 1.0), LARGEST_ZOOM)
        if zoom == 1.0:
            return PictureMap(self.picture, self.area)
        held = self.to_picture(at)
        scale = self.scale / self.zoom * zoom
        left, top, width, height = self.area
        centre = (
            held[0] + (left + width / 2.0 - at[0]) / scale,
            held[1] + (top + height / 2.0 - at[1]) / scale,
        )
        return PictureMap(self.picture, self.area, zoom, centre)._settled()

    def moved(self, dx: float, dy: float) -> PictureMap:
        """Move the picture by device pixels, as far as it covers the area."""
        left, top, width, height = self.area
        centre = self.to_picture((left + width / 2.0 - dx, top + height / 2.0 - dy))
        return PictureMap(self.picture, self.area, self.zoom, centre)._settled()

    def _settled(self) -> PictureMap:
        """The same map with its centre where the edges really let it be."""
        left, top, width, height = self.area
        centre = self.to_picture((left + width / 2.0, top + height / 2.0))
        return PictureMap(self.picture, self.area, self.zoom, centre)

"""Withholds the readings of flights during which the camera was not as it was at set-up.

It looks at the same pictures live and offline, before they are measured: which ones depends on capture
time alone. That something is wrong is known only after some looks; readings that were settled in the
meantime are taken back then.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from bridge.messages import Reading
from capture.camera import Camera, View
from capture.camera_watch import CameraWatch
from capture.handstands import Record
from capture.picture_check import still_picture

Image = NDArray[np.uint8]
NS: Final = 1_000_000_000
HINDSIGHT_NS: Final = 6 * NS  # a settled reading is taken back for so long after its end, no longer
FIRST_EVERY_NS: Final = NS // 8  # of a feed without a survey's picture the first second serves


@dataclass(frozen=True, slots=True)
class _Off:
    """A time during which readings do not hold."""

    since_ns: int
    until_ns: int | None  # None: still
    reason: str

    def covers(self, reading: Reading) -> bool:
        end_ns = max(reading.release_ns, reading.apex_ns, reading.end_ns)
        return end_ns >= self.since_ns and (self.until_ns is None or reading.release_ns <= self.until_ns)


class CameraGuard:
    """Judges the readings of one feed by what :class:`~capture.camera_watch.CameraWatch` says of it.

    Args:
        camera: the fitted camera.
        still: the survey's picture (h, w, 3) BGR; None: the feed's first second serves.
    """

    def __init__(self, camera: Camera, still: Image | None = None) -> None:
        self._camera, self._still = camera, still
        self._watch: CameraWatch | None = None
        self._first: list[tuple[int, Image]] = []
        self._looks = True
        self._off: tuple[_Off, ...] = ()
        self._recent: dict[str, Reading] = {}

    @property
    def reason(self) -> str:
        """Why readings are withheld now, or ""."""
        return self._off[-1].reason if self._off and self._off[-1].until_ns is None else ""

    @property
    def seen(self) -> tuple[float, float] | None:
        """Light and sharpness now, as parts of the survey's; None while they are not known."""
        return self._watch.seen if self._watch is not None else None

    def again(self) -> CameraGuard:
        """One as this one was before the first picture."""
        return CameraGuard(self._camera, self._still)

    def fork(self) -> CameraGuard:
        """One that judges by what is known so far and looks at nothing more."""
        twin = copy.copy(self)
        twin._looks, twin._watch, twin._first = False, None, []
        twin._recent = dict(self._recent)
        return twin

    def look(self, t_ns: int, bgr: Image) -> None:
        """See the next picture (h, w, 3) BGR; call it with every one, in capture order."""
        if not self._looks:
            return
        if self._watch is None:
            self._begin(t_ns, bgr)
        if self._watch is None:
            return
        said = self._watch.push(t_ns, bgr) or ""
        if said == self.reason:
            return
        if self.reason:
            self._off = (*self._off[:-1], _Off(self._off[-1].since_ns, t_ns, self.reason))
        if said:
            since_ns = max(self._watch.since_ns, t_ns - HINDSIGHT_NS)
            self._off = (*self._off, _Off(since_ns, None, said))

    def judged(self, records: tuple[Record, ...], t_ns: int) -> tuple[Record, ...]:
        """The records as they stand, and earlier readings that no longer do.

        Args:
            t_ns: capture time of the last picture.
        """
        out: list[Record] = []
        for name, reading in list(self._recent.items()):
            if t_ns > reading.end_ns + HINDSIGHT_NS:
                del self._recent[name]
            elif (off := self._during(reading)) is not None:
                del self._recent[name]
                out.append(withheld(reading, off.reason))
        for record in records:
            off = self._during(record) if isinstance(record, Reading) else None
            if not isinstance(record, Reading) or off is None:
                out.append(record)
            else:
                out.append(withheld(record, off.reason))
            if isinstance(record, Reading):
                self._recent.pop(record.flight, None)
                if off is None and record.state == "settled":
                    self._recent[record.flight] = record
        return tuple(out)

    def _during(self, reading: Reading) -> _Off | None:
        return next((off for off in self._off if off.covers(reading)), None)

    def _begin(self, t_ns: int, bgr: Image) -> None:
        if self._still is not None:
            self._watch = CameraWatch(self._still, self._camera)
            return
        if self._first and t_ns - self._first[0][0] > NS:
            self._watch = CameraWatch(still_picture([image for _, image in self._first]), self._camera)
            self._first = []
        elif not self._first or t_ns - self._first[-1][0] >= FIRST_EVERY_NS:
            self._first.append((t_ns, bgr.copy()))


def guard_for(view: View, still: Image | None = None) -> CameraGuard | None:
    """The guard of a view; None away from the bars, where nothing in the picture is known."""
    return CameraGuard(view, still) if isinstance(view, Camera) else None


def withheld(reading: Reading, reason: str) -> Reading:
    """A reading without its figures, and why."""
    return msgspec.structs.replace(
        reading, state="withheld", reason=reason, apex=None, band="", band_p=0.0,
        chances=(), range=None, moments=(), measures=(), drawing=None,
    )  # fmt: skip

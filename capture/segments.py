"""The segments of one run of capture: a new one begins whenever pictures are kept again after a pause."""

from __future__ import annotations

import logging
from collections import deque
from pathlib import Path
from typing import Final

from capture.coder import Coder, described
from capture.feeds import FeedInfo, Frame
from capture.observation import JointObservation
from capture.recorder import Recorder

log = logging.getLogger(__name__)

NS: Final = 1_000_000_000


class Segments:
    """Writes pictures into the segment that is open, and joints into the one that they belong to.

    Used by the recorder's thread.

    Args:
        folder: the session folder.
        info: the feed that is recorded.
        first: number of the first segment.
    """

    def __init__(self, folder: Path, info: FeedInfo, first: int) -> None:
        self._folder, self._info, self._next = folder, info, first
        self._open: Recorder | None = None
        self._coder: Coder | None = None
        self._last_ns = 0
        self._paused = False  # at least once
        self._ended: deque[tuple[int, Recorder]] = deque()  # until their joints are written
        self.described: FeedInfo | None = None  # what is recorded, once it is known

    @property
    def space_s(self) -> float | None:
        """For how long the disk has room, once that is known."""
        return self._open.space_s if self._open is not None else None

    def write(self, frame: Frame) -> Frame | None:
        """Record a picture; gives it with its code, or None when it could not be kept.

        Raises:
            RecordingError: the disk is full, or the encoder refuses.
        """
        if self._info.coded_as is None:
            self._coder = self._coder or Coder(self._info)
            frame = self._coder.code(frame)
        if frame.coded is None:
            log.warning("picture at %.3f s came without its code; left out", frame.t_ns / NS)
            return None
        if self._open is None:
            if not frame.coded.keyframe and self._paused:
                return None  # a camera's own code can only be taken up at a key frame
            info = described(self._info, frame.coded) if self._coder is not None else self._info
            self.described = self.described or info
            self._open = Recorder(self._folder, info, self._next)
            self._next += 1
        self._open.write(frame)
        self._last_ns = frame.t_ns
        return frame

    def end(self) -> int | None:
        """End the open segment; gives the time of its last picture, None when none was open."""
        self._paused = True
        if self._open is None:
            return None
        self._ended.append((self._last_ns, self._open))
        self._open, self._coder = None, None
        return self._last_ns

    def write_joints(self, observation: JointObservation) -> None:
        """Record what the networks saw; pictures are measured in order, also across segments."""
        while self._ended and observation.t_ns > self._ended[0][0]:
            self._ended.popleft()[1].close()
        recorder = self._ended[0][1] if self._ended else self._open
        if recorder is not None:
            recorder.write_joints(observation)

    def close_ended(self) -> None:
        """Close the segments that were ended: everything in them has been measured."""
        while self._ended:
            self._ended.popleft()[1].close()

    def close(self) -> None:
        """Close everything; safe to call twice."""
        self.end()
        self.close_ended()

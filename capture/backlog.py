"""What was recorded and waits to be measured, in order, and how it becomes pictures again.

What is measured is what was recorded: a picture is measured as it decodes from the recording, so
that measuring the recording again sees the same. While measuring keeps up, pictures that the feed
has decoded already come along; when it lags, only the coded ones wait, which are small, and a thread of its
own decodes them a little ahead.
"""

from __future__ import annotations

import os
import tempfile
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

import av
import numpy as np

from bridge.errors import RecordingError
from capture.feeds import CodedPicture, FeedInfo, Frame, Image, bgr_of

IMAGES: Final = 24  # decoded pictures that may wait, 150 MB at 1080p,
IMAGES_MEMORY: Final = 160 * 1024 * 1024  # bytes of them: fewer of larger pictures
AHEAD: Final = 4  # pictures decoded ahead of measuring
MEMORY: Final = 256 * 1024 * 1024  # bytes of coded pictures; what is more waits on the disk


@dataclass(frozen=True, slots=True)
class Waiting:
    """A recorded picture that waits to be measured."""

    index: int
    t_ns: int
    coded: CodedPicture
    image: Image | None  # as it decodes; None: decode it


@dataclass(slots=True)
class _Kept:
    frame: Waiting
    spooled: int | None = None  # where its bytes lie in the spool
    size: int = 0


class Backlog:
    """A queue without an end: decoded pictures, then coded ones, then coded ones on the disk.

    Args:
        folder: for the anonymous file that takes what does not fit into memory.
        as_it_came: whether the feed's decoded pictures equal the recorded ones.
        wait: whether ``put`` waits when :data:`IMAGES` pictures are there already.
        memory: bytes of coded pictures that may wait in memory.
    """

    def __init__(self, folder: Path, *, as_it_came: bool, wait: bool, memory: int = MEMORY) -> None:
        self._folder, self._as_it_came, self._wait, self._memory = folder, as_it_came, wait, memory
        self._kept: deque[_Kept] = deque()
        self._changed = threading.Condition()
        self._carry = True  # whether decoded pictures come along
        self._bytes = 0
        self._spool: IO[bytes] | None = None
        self._end = 0  # of the spool
        self._closed = self._given_up = False
        self.newest_ns = 0
        self.dropped = 0  # pictures that were recorded but will not be measured

    def __len__(self) -> int:
        return len(self._kept)

    @property
    def closed(self) -> bool:
        """Whether nothing more will come."""
        return self._closed

    def put(self, frame: Frame) -> None:
        """Add the next recorded picture, which is coded. Raises RecordingError when the disk is full."""
        assert frame.coded is not None
        with self._changed:
            most = min(IMAGES, max(2, IMAGES_MEMORY // frame.image.nbytes))
            while self._wait and len(self._kept) >= most and not self._closed:
                self._changed.wait()
            if self._given_up:
                self.dropped += 1
                return
            waiting = len(self._kept)
            # Not every second picture: decoding begins at a key frame.
            self._carry = self._as_it_came and waiting < (most if self._carry else most // 4)
            kept = _Kept(
                Waiting(frame.index, frame.t_ns, frame.coded, frame.image if self._carry else None),
                size=len(frame.coded.data),
            )
            if self._bytes + kept.size > self._memory:
                self._to_disk(kept)
            else:
                self._bytes += kept.size
            self._kept.append(kept)
            self.newest_ns = frame.t_ns
            self._changed.notify_all()

    def get(self, timeout_s: float) -> Waiting | None:
        """The oldest picture that waits; None when none came in time, or none will come."""
        with self._changed:
            if not self._kept and not self._closed:
                self._changed.wait(timeout_s)
            if not self._kept:
                return None
            kept = self._kept.popleft()
            self._changed.notify_all()
            if kept.spooled is None:
                self._bytes -= kept.size
                return kept.frame
            assert self._spool is not None
            data = os.pread(self._spool.fileno(), kept.size, kept.spooled)
            if not any(k.spooled is not None for k in self._kept):
                self._spool.truncate(0)
                self._end = 0
        frame = kept.frame
        return Waiting(frame.index, frame.t_ns, CodedPicture(data, frame.coded.keyframe), None)

    def close(self) -> None:
        """Nothing more will come; what waits can still be had."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def drop(self, taken: int = 0) -> None:
        """Give up what waits and what will still come; ``taken`` are out already and not measured."""
        with self._changed:
            self._closed = self._given_up = True
            self.dropped += len(self._kept) + taken
            self._kept.clear()
            if self._spool is not None:
                self._spool.close()
                self._spool = None
            self._changed.notify_all()

    def _to_disk(self, kept: _Kept) -> None:
        try:
            if self._spool is None:
                self._spool = tempfile.TemporaryFile(dir=self._folder)  # noqa: SIM115
            os.pwrite(self._spool.fileno(), kept.frame.coded.data, self._end)
        except OSError as error:
            raise RecordingError(
                f"{self._folder}: pictures that wait to be measured cannot be kept ({error}); free some space"
            ) from error
        kept.spooled = self._end
        self._end += kept.size
        frame = kept.frame
        kept.frame = Waiting(frame.index, frame.t_ns, CodedPicture(b"", frame.coded.keyframe), None)


class Ahead:
    """Decodes what waits a little ahead of measuring, so that both have a core of their own.

    Args:
        backlog: what waits.
        unpacker: gives the unpacker, once the first picture waits.
    """

    def __init__(self, backlog: Backlog, unpacker: Callable[[], Unpacker]) -> None:
        self._backlog, self._unpacker = backlog, unpacker
        self._ready: deque[tuple[Waiting, Image | None]] = deque()
        self._changed = threading.Condition()
        self._taken = 0  # pictures that are being decoded
        self._over = self._given_up = False

    def __len__(self) -> int:
        return len(self._ready) + self._taken

    @property
    def over(self) -> bool:
        """Whether nothing more will come."""
        with self._changed:
            return self._over and not self._ready

    def run(self) -> None:
        """Decode until nothing more will wait; the body of the decoding thread."""
        try:
            while self._room():
                waiting = self._backlog.get(0.2)
                if waiting is None:
                    if self._backlog.closed:
                        return
                    continue
                self._taken = 1
                image = self._unpacker().image(waiting)
                with self._changed:
                    self._taken = 0
                    if self._given_up:
                        self._backlog.drop(1)
                        return
                    self._ready.append((waiting, image))
                    self._changed.notify_all()
        finally:
            with self._changed:
                self._over = True
                self._changed.notify_all()

    def get(self, timeout_s: float) -> tuple[Waiting, Image | None] | None:
        """The oldest picture that waits, decoded where it can be; None when none came in time."""
        with self._changed:
            if not self._ready and not self._over:
                self._changed.wait(timeout_s)
            if not self._ready:
                return None
            self._changed.notify_all()
            return self._ready.popleft()

    def drop(self, taken: int = 0) -> None:
        """Give up what waits, here and in the backlog; ``taken`` are out already and not measured."""
        with self._changed:
            self._given_up = True
            self._backlog.drop(taken + len(self._ready))
            self._ready.clear()
            self._changed.notify_all()

    def _room(self) -> bool:
        """Wait until there is room for one more; whether one is wanted."""
        with self._changed:
            while len(self._ready) >= AHEAD and not self._given_up:
                self._changed.wait()
            return not self._given_up


class Unpacker:
    """Turns what waits into pictures, one by one and in order.

    Args:
        info: the recorded feed, with ``coded_as``.
    """

    def __init__(self, info: FeedInfo) -> None:
        assert info.coded_as is not None
        context = info.coded_as.codec_context
        self._codec, self._extradata = context.codec.name, context.extradata
        self._group: list[bytes] = []  # coded pictures since the last key frame
        self._decoder: Any = None
        self._at = 0  # pictures of the group that the decoder has seen

    def image(self, frame: Waiting) -> Image | None:
        """The picture of the next frame; None when it cannot be decoded."""
        if frame.coded.keyframe:
            self._group, self._at = [], 0
        self._group.append(frame.coded.data)
        if frame.image is not None:
            return frame.image
        if self._decoder is None:
            self._decoder = av.CodecContext.create(self._codec, "r")
            self._decoder.extradata = self._extradata
            self._decoder.thread_type = "SLICE"  # by whole frames it would lag behind
        image: Image | None = None
        while self._at < len(self._group):
            data = self._group[self._at]
            self._at += 1
            try:
                pictures = self._decoder.decode(av.Packet(data))
            except av.FFmpegError:
                pictures = []
            if self._at == len(self._group) and pictures:
                image = np.asarray(bgr_of(pictures[-1]))
        return image

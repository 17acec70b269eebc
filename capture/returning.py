"""A camera or stream whose cable comes out is opened again, and recording goes on when it is back."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from bridge.clock import Clock
from bridge.errors import FeedError
from capture.feeds import STREAMS, Feed, FeedInfo, Frame, open_feed

log = logging.getLogger(__name__)

NS: Final = 1_000_000_000
PAUSES_S: Final = (0.5, 1.0, 2.0, 4.0)  # between tries; the last one again and again


class ReturningFeed:
    """A live feed that is opened again whenever it stops giving pictures.

    While it is away :attr:`problem` says why; it is None again with the next picture. A feed that comes
    back as another, of another size or code, ends this one: what is measured is tied to the rig.

    Args:
        open_once: opens the feed.
        clock: of capture, for saying how long it was away.
        pauses_s: between one try and the next.

    Raises:
        FeedError: it cannot be opened the first time.
    """

    def __init__(
        self, open_once: Callable[[], Feed], clock: Clock, pauses_s: Sequence[float] = PAUSES_S
    ) -> None:
        self._open, self._clock, self._pauses_s = open_once, clock, pauses_s
        self._closed = threading.Event()
        self._feed = open_once()
        self.info = self._feed.info
        self.problem: str | None = None

    def __iter__(self) -> Iterator[Frame]:
        index, last_ns = 0, -1
        away_ns: int | None = None
        while True:
            whole = self.info.coded_as is None  # a camera's own code can only be taken up at a key frame
            for frame in self._feed:
                whole = whole or (frame.coded is not None and frame.coded.keyframe)
                if not whole or frame.t_ns <= last_ns:
                    continue
                if away_ns is not None:
                    log.warning("%s: is back after %.1f s", self.info.name, (frame.t_ns - away_ns) / NS)
                self.problem, away_ns = None, None
                yield replace(frame, index=index)
                index, last_ns = index + 1, frame.t_ns
            if self._closed.is_set():
                return
            away_ns = self._clock.now_ns() if away_ns is None else away_ns
            self.problem = self._feed.problem or f"{self.info.name}: stopped giving pictures"
            log.warning("%s; it is tried again until it is back", self.problem)
            if not self._open_again():
                return

    def close(self) -> None:
        self._closed.set()
        self._feed.close()

    def _open_again(self) -> bool:
        """Try until the feed is there; False when it is another, or nobody wants it any more."""
        tried = 0
        while not self._closed.wait(self._pauses_s[min(tried, len(self._pauses_s) - 1)]):
            tried += 1
            try:
                feed = self._open()
            except FeedError as error:
                log.info("%s", error)
                continue
            if _code_of(feed.info) != _code_of(self.info):
                feed.close()
                self.problem = f"{self.info.name}: came back with another picture size or code; start again"
                return False
            self._feed = feed
            if self._closed.is_set():  # meanwhile
                feed.close()
                return False
            return True
        return False


def _code_of(info: FeedInfo) -> tuple[object, ...]:
    if info.coded_as is None:
        return (info.size,)
    context = info.coded_as.codec_context
    return info.size, context.codec.name, context.extradata


def open_returning(source: str, clock: Clock, *, live: bool) -> Feed:
    """:func:`~capture.feeds.open_feed`; a camera or network stream is opened again when it was lost.

    Raises:
        FeedError: it cannot be opened.
    """
    if source.startswith(("camera:", *STREAMS)):
        return ReturningFeed(lambda: open_feed(source, clock, live=live), clock)
    return open_feed(source, clock, live=live)

"""The clips of a practice, made ready behind the scene so that the room never waits."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import av

from overlay.clinic.copies import Copy, have_copy
from overlay.clinic.examples import Example
from overlay.pixels import decode_clip
from overlay.replay import FrameStore

KEPT: Final = 3  # decoded clips held at once: the one shown, the next, the last


@dataclass(frozen=True, slots=True)
class Ready:
    """A clip that can be shown."""

    copy: Copy
    frames: FrameStore[av.VideoFrame]


class Shelf:
    """Gives clips by the names of their examples. ``get`` never waits; one thread decodes.

    Args:
        copies: the folder of the teaching copies.
        examples: all that may be asked for.
    """

    def __init__(self, copies: Path, examples: Sequence[Example]) -> None:
        self._copies = copies
        self._examples = {e.id: e for e in examples}
        self._lock = threading.Lock()
        self._held: OrderedDict[str, Future[Ready]] = OrderedDict()
        self._worker = ThreadPoolExecutor(1, "shelf")

    def prepare(self, tell: Callable[[str, int, int], None] = lambda name, n, of: None) -> None:
        """Make every copy that is not there yet.

        Raises:
            ConfigError: a session is not where it was.
            RecordingError: a copy cannot be made.
        """
        for number, example in enumerate(self._examples.values(), 1):
            have_copy(self._copies, example)
            tell(example.id, number, len(self._examples))

    def ask(self, name: str) -> Future[Ready]:
        """A clip, now or in a moment; its errors come with the future's result."""
        with self._lock:
            if name in self._held:
                self._held.move_to_end(name)
                return self._held[name]
            self._held[name] = self._worker.submit(self._load, name)
            while len(self._held) > KEPT:
                self._held.popitem(last=False)[1].cancel()
            return self._held[name]

    def close(self) -> None:
        """Stop the thread."""
        self._worker.shutdown(cancel_futures=True)

    def _load(self, name: str) -> Ready:
        folder, copy = have_copy(self._copies, self._examples[name])
        return Ready(copy, decode_clip(copy.clip(folder)))

"""Answers a set-up screen: finds the bars, fits the points as they are dragged, snaps a point to its pole.

It keeps the still picture, so that a screen sends points only. Every answer is a whole
:class:`~capture.survey.Survey`; a call takes a few hundredths of a second, except :meth:`SurveyDesk.find`,
which takes some seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from capture.edges import grey
from capture.lens import Lens
from capture.picture_check import state_of, still_picture
from capture.rails_seen import Side
from capture.rig import Rig, Sizes, SurveyPoint, presets
from capture.survey import PointSeen, Survey, rig_file, snapped, survey, survey_by_hand
from capture.survey_still import still_beside, write_still

Image = NDArray[np.uint8]


class SurveyDesk:
    """One survey in the making.

    Args:
        pictures: of the feed (h, w, 3) BGR, see :func:`capture.survey.watch_feed`.
        times_ns: their capture times.
        preset: name of the sizes; ``sizes`` are those with one's own changes.
    """

    def __init__(
        self,
        pictures: Sequence[Image],
        times_ns: Sequence[int],
        preset: str = "senior",
        sizes: Sizes | None = None,
        side: Side | None = None,
        lens: Lens | None = None,
    ) -> None:
        self._pictures, self._times = pictures, times_ns
        self._preset = preset
        self._sizes = sizes or presets()[preset]
        self._side, self._lens = side, lens
        self.still = still_picture(pictures)
        self._state = state_of(pictures, times_ns)
        self._levels = grey(self.still)
        self.found: Survey | None = None

    def find(self) -> Survey:
        """Find the bars with nothing marked."""
        self.found = survey(self._pictures, self._times, self._sizes, self._side, self._lens)
        return self.found

    def fit(self, points: Sequence[SurveyPoint]) -> Survey:
        """The camera from points as a person set them."""
        # The uprights stand where they were found to stand, also once points are dragged.
        known = self.found.rig if self.found is not None else None
        sizes = known.apparatus if known is not None else self._sizes
        height, width = self.still.shape[:2]
        rig = Rig((width, height), sizes, self._side or "right", lens=self._lens, source="set-up")
        self.found = survey_by_hand(self._levels, rig, points, self._state, self._side)
        return self.found

    def snap(self, name: str, at: tuple[float, float]) -> PointSeen | None:
        """A point moved onto its pole; None when there is no camera yet or no pole near it."""
        if self.found is None or self.found.camera is None:
            return None
        return snapped(self._levels, self.found.camera, name, at, self.found.seen)

    def take(self, path: Path) -> None:
        """Write the survey as it stands to a rig file, and its picture beside it.

        Raises:
            ConfigError: there is no camera yet, or the file cannot be written.
        """
        if self.found is None or self.found.camera is None:
            raise ConfigError(f"{path}: the points do not give a camera yet; set at least six")
        still = still_beside(path)
        text = rig_file(self.found.rig, self._preset, presets()[self._preset], still.name)
        write_still(still, self.still)
        try:
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise ConfigError(
                f"{path}: cannot be written ({error.strerror}); choose another place"
            ) from error

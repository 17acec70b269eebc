"""The one registry of what is published: who may publish it, how often, and whether it must arrive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from bridge.errors import BusError
from bridge.messages import (
    Correction,
    Handstand,
    Heartbeat,
    Look,
    Pose,
    Preview,
    Reading,
    RecordBody,
    Routine,
    Ruling,
    Scene,
    StartList,
    StateBody,
    Tag,
)

DELIMITER: Final = b"/"


@dataclass(frozen=True, slots=True)
class Topic:
    """One kind of published message.

    A topic that must arrive has its place in the session-wide record sequence; losing one is healed
    by a new snapshot. Of a topic that may be lost the newest wins, and losses are counted.
    """

    name: str
    body: type
    rate_hz: float | None  # expected; None when it comes as things happen
    must_arrive: bool

    @property
    def prefix(self) -> bytes:
        """What a subscriber asks for. Subscriptions match prefixes, hence the delimiter at the end."""
        return self.name.encode() + DELIMITER


TOPICS: Final[tuple[Topic, ...]] = (
    Topic("pose", Pose, 60.0, must_arrive=False),
    Topic("preview", Preview, 25.0, must_arrive=False),
    Topic("heartbeat", Heartbeat, 1.0, must_arrive=False),
    Topic("scene", Scene, None, must_arrive=True),
    Topic("routine", Routine, None, must_arrive=True),
    Topic("reading", Reading, None, must_arrive=True),
    Topic("handstand", Handstand, None, must_arrive=True),
    Topic("ruling", Ruling, None, must_arrive=True),
    Topic("tag", Tag, None, must_arrive=True),
    Topic("look", Look, None, must_arrive=True),
    Topic("correction", Correction, None, must_arrive=True),
    Topic("start-list", StartList, None, must_arrive=True),
)
BY_BODY: Final[dict[type, Topic]] = {topic.body: topic for topic in TOPICS}
BY_PREFIX: Final[dict[bytes, Topic]] = {topic.prefix: topic for topic in TOPICS}


def topic_of(body: StateBody | RecordBody) -> Topic:
    """The topic a body is published under. Raises BusError when it has none."""
    topic = BY_BODY.get(type(body))
    if topic is None:
        raise BusError(f"{type(body).__name__} is not published: add it to bridge/topics.py")
    return topic

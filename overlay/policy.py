"""What may be shown: the four levels of the display policy, each including the one before."""

from __future__ import annotations

from typing import Final

from bridge.messages import Policy, Scene

LEVELS: Final[tuple[Policy, ...]] = ("picture", "line", "height", "band")


def includes(level: Policy, wanted: Policy) -> bool:
    """Whether ``level`` shows everything that ``wanted`` shows."""
    return LEVELS.index(level) >= LEVELS.index(wanted)


def limited(wanted: Policy, allowed: Policy) -> Policy:
    """``wanted``, or ``allowed`` where the policy of the meet stops short of it."""
    return wanted if includes(allowed, wanted) else allowed


def first_level(scene: Scene) -> Policy:
    """What is shown to begin with: in training all that is allowed, at a meet the plain picture.

    What is shown first sways a judge, so the order at a meet is the safe one.
    """
    return scene.policy if scene.training else "picture"

"""What may leave a session: consent and the day of deletion, for clips, tables, notes and example sets."""

from __future__ import annotations

from datetime import date, datetime
from typing import Final, Literal, get_args

from bridge.errors import ConfigError
from bridge.journal import Journal
from bridge.messages import Consent
from bridge.session import Manifest, Session

Purpose = Literal["coaching", "teaching"]
PURPOSES: Final[tuple[Purpose, ...]] = get_args(Purpose)
ALLOWED: Final[dict[Purpose, frozenset[Consent]]] = {
    "coaching": frozenset({"coaching", "teaching"}),
    "teaching": frozenset({"teaching"}),
}


class Consents:
    """Who allows what, of one session.

    Args:
        journal: of the session.
        manifest: of the session.
    """

    def __init__(self, journal: Journal, manifest: Manifest) -> None:
        self._of = {g.start_number: g.consent for g in journal.gymnasts()}
        self._numbers = {r.routine: r.start_number for r in journal.routines()}
        self._warm_up = {r.routine for r in journal.routines() if r.warm_up}
        self._listed = bool(self._of)
        self.expires = manifest.expires

    def number(self, routine: int) -> str:
        """Whose routine it is; "" where nobody said."""
        return self._numbers.get(routine, "")

    def of(self, routine: int) -> Consent | None:
        """What the gymnast of a routine allows; None without a start list, or when she is not on it."""
        return self._of.get(self._numbers.get(routine, ""))

    def picture_stays(self, routine: int, purpose: Purpose = "coaching") -> str:
        """Why a routine's pictures must not leave the session for a purpose; "" when they may.

        In a session with a start list a routine of nobody on it stays: it is not known whose it is.
        """
        consent = self.of(routine)
        if consent == "do not film":
            return "the gymnast is not to be filmed"
        if routine in self._warm_up:
            return "in warm-up nobody is told apart" if self._listed else ""
        if consent is None:
            return "whose routine it is was not said" if self._listed else ""
        return "" if consent in ALLOWED[purpose] else f"consent is “{consent}”"

    def figures_stay(self, routine: int) -> str:
        """Why a routine's figures must not stand in the session's table; "" when they may."""
        return "the gymnast is not to be filmed" if self.of(routine) == "do not film" else ""


def refuse_expired(session: Session, today: date | None = None) -> None:
    """Nothing leaves a session whose day of deletion is past.

    Raises:
        ConfigError: it is past.
    """
    if session.expired(today):
        raise ConfigError(
            f"{session.folder.name}: to be deleted since {session.manifest.expires}, so nothing leaves it; "
            "run railcrest session purge"
        )


def days_left(manifest: Manifest, today: date | None = None) -> int | None:
    """Days until a session is to be deleted, negative when that is past; None when no day was set."""
    today = today or datetime.now().astimezone().date()
    try:
        return (date.fromisoformat(manifest.expires) - today).days
    except ValueError:
        return None

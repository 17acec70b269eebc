"""What the judges' table asks of capture beside clips and rulings: routines, looks, corrections."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeVar

import msgspec

from bridge.bus import Publisher
from bridge.journal import Journal
from bridge.messages import (
    Accepted,
    Answer,
    Correction,
    CorrectionRequest,
    Look,
    LookRequest,
    Refused,
    Routine,
    RoutineClipRequest,
)
from bridge.routine_clip import routine_piece
from bridge.session import Session
from capture.by_hand import ByHand

Said = TypeVar("Said", Look, Correction)
Asked = RoutineClipRequest | LookRequest | CorrectionRequest


@dataclass(frozen=True, slots=True)
class TableDesk:
    """Answers the judges' table. Called in the desk's thread only.

    Attributes:
        session: where pictures are recorded.
        journal: open for appending.
        publisher: tells everybody what was entered.
        by_hand: works corrections out.
        routines: the routines as they stand.
        unfilmed: whether pictures of a routine must not be shown.
        now_ns: capture time.
    """

    session: Session
    journal: Journal
    publisher: Publisher
    by_hand: ByHand
    routines: Callable[[], Iterable[Routine]]
    unfilmed: Callable[[int], bool]
    now_ns: Callable[[], int]

    def resume(self) -> None:
        """Tell what an earlier run of capture journalled."""
        for look in self.journal.looks():
            self.publisher.publish(look, self.now_ns())
        for correction in self.journal.corrections():
            self.publisher.publish(correction, self.now_ns())

    def answer(self, request: Asked) -> Answer:
        """Carry out a request.

        Raises:
            RailcrestError: it cannot be carried out; the desk refuses with its words.
        """
        match request:
            case RoutineClipRequest():
                if self.unfilmed(request.routine):
                    return Refused(reason=f"routine {request.routine}: the gymnast is not to be filmed")
                found = next((r for r in self.routines() if r.routine == request.routine), None)
                return routine_piece(self.session, found, request)
            case LookRequest():
                self._enter(request.look)
                return Accepted()
            case CorrectionRequest():
                return self._correct(request)

    def family_changed(self, flight: str) -> None:
        """Work a correction out afresh: band and bar follow the family that is in force now."""
        held = next((c for c in self.journal.corrections() if c.flight == flight), None)
        if held is None or held.height is None:
            return
        self._correct(
            CorrectionRequest(
                flight=flight, t_ns=held.t_ns, hips=held.hips, line_px=held.line_px, by=held.by, keep=True
            )
        )

    def _correct(self, request: CorrectionRequest) -> Answer:
        reading = self.publisher.records.reading(request.flight)
        if reading is None:
            return Refused(reason=f"{request.flight}: no such flight in this session")
        correction = self.by_hand.correction(reading, request)
        return self._enter(correction) if request.keep else correction

    def _enter(self, said: Said) -> Said:
        stamped = msgspec.structs.replace(
            said, wall_time=datetime.now(UTC).astimezone().isoformat(timespec="seconds")
        )
        self.journal.append(stamped, self.now_ns())
        self.publisher.publish(stamped, self.now_ns())
        return stamped

"""A routine's recorded frames, piece by piece, for any desk that has the recording."""

from __future__ import annotations

from typing import Final

from bridge.errors import RecordingError
from bridge.messages import Clip, Routine, RoutineClipRequest
from bridge.session import Session

NS: Final = 1_000_000_000
LONGEST_NS: Final = 4 * NS  # of one piece
ABOUT_NS: Final = 3 * NS  # recorded time before the mount and after the landing that may be seen, too


def routine_piece(session: Session, routine: Routine | None, request: RoutineClipRequest) -> Clip:
    """Cut the piece that was asked for, within the routine and a little around it.

    Args:
        session: where it is recorded.
        routine: the one asked for; None when there is none of that number.
        request: which piece.

    Raises:
        RecordingError: there is no such routine, or nothing was recorded then.
    """
    if routine is None:
        raise RecordingError(f"routine {request.routine}: no such routine in this session")
    begin_ns = max(request.begin_ns, routine.begin_ns - ABOUT_NS)
    end_ns = begin_ns + min(request.length_ns, LONGEST_NS)
    if routine.end_ns is not None:
        end_ns = min(end_ns, routine.end_ns + ABOUT_NS)
    if end_ns <= begin_ns:
        raise RecordingError(f"routine {request.routine}: that is after its end")
    cut = session.clip(begin_ns, end_ns)
    return Clip(
        flight=f"r{routine.routine}",
        matroska=cut.data,
        times_ns=cut.times_ns,
        begin_ns=begin_ns,
        end_ns=min(end_ns, cut.times_ns[-1]),
    )

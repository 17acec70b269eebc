"""Who is on the bars: the start list kept up to date, and the number that each routine carries.

One keeper serves capture's desk while a session runs and whoever puts a closed session right afterwards.
Routines take their numbers from the list's order by themselves. Once somebody puts a number on a
routine by hand it stays; the routines after it that nobody touched are given theirs afresh, so that one
correction is enough. Everything goes into the journal, and is told to whoever listens.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Final, Literal

import msgspec

from bridge.errors import ConfigError
from bridge.journal import Gymnast, Journal, Note, PartBegan
from bridge.messages import (
    Accepted,
    Answer,
    Consent,
    Entry,
    EntryRequest,
    Part,
    PartRequest,
    Refused,
    Routine,
    StartList,
)
from bridge.start_list import ENTRIES_LIMIT, ReadList, next_up, placed, start_number

RESUME_NS: Final = 60_000_000_000  # a routine that capture's end cut in two goes on within this time
# A fall is over 60 s after she left (from memory of the 2015 international text; programmes differ).
FALL_NS: Final = 60_000_000_000
CARE: Final = "care"  # notes of this kind are to be looked into
CALLED: Final = "called"  # notes of this kind hold the number called out of order

Tell = Callable[[StartList | Routine], None]
Withheld = Literal["", "break", "warm-up", "do not film"]
PAUSE_WORDS: Final[dict[Withheld, str]] = {
    "": "",
    "break": "break: nothing is recorded",
    "warm-up": "warm-up: nothing is recorded, since somebody in it is not to be filmed",
    "do not film": "not to be filmed: nothing is recorded until her turn is over",
}


class RunningOrder:
    """The start list of a session and the numbers of its routines. Safe from several threads.

    Args:
        journal: of the session, open for writing.
        tell: called with everything that changed, already journalled.
        now_ns: capture time.
    """

    def __init__(self, journal: Journal, tell: Tell, now_ns: Callable[[], int]) -> None:
        self._journal, self._tell, self._now_ns = journal, tell, now_ns
        self._lock = threading.RLock()
        self._entries = entries_of(journal)
        self._routines = {r.routine: r for r in journal.routines()}
        self._parts: list[tuple[int, Part]] = [(t_ns, began.part) for t_ns, began in journal.parts()]
        self._called = called(journal)
        self._paused = ""
        self._broken_off: tuple[str, int] | None = None  # a number, and until when it goes on

    @property
    def start_list(self) -> StartList:
        """The list as it stands."""
        with self._lock:
            return StartList(
                entries=self._entries, next=self._next(), part=self._part_at(None), paused=self._paused
            )

    @property
    def routines(self) -> tuple[Routine, ...]:
        """All routines so far, in order."""
        with self._lock:
            return tuple(self._routines[n] for n in sorted(self._routines))

    @property
    def under_way(self) -> Routine | None:
        """The routine on the bars now."""
        with self._lock:
            last = self._routines[max(self._routines)] if self._routines else None
            return last if last is not None and last.end_ns is None else None

    @property
    def withheld(self) -> Withheld:
        """Why no picture may be kept now, or "".

        In warm-up nobody is told apart: it is not kept while somebody of the rotation is not to be filmed.
        """
        with self._lock:
            part = self._part_at(None)
            if part == "break":
                return "break"
            unfilmed = [e for e in self._entries if e.consent == "do not film" and not e.scratched]
            if not unfilmed:
                return ""
            if part == "warm-up":
                due = next((e.rotation for e in self._entries if e.number == self._next()), "")
                return "warm-up" if not due or any(e.rotation == due for e in unfilmed) else ""
            under_way = self.under_way
            number = under_way.start_number if under_way and not under_way.warm_up else self._next()
            return "do not film" if any(e.number == number for e in unfilmed) else ""

    def consent(self, number: str) -> Consent | None:
        """What a gymnast allows; None when she is not on the list."""
        with self._lock:
            return next((e.consent for e in self._entries if e.number == number), None)

    @property
    def unfilmed_unseen(self) -> tuple[str, ...]:
        """Start numbers of those who are not to be filmed and have not been on the bars yet."""
        with self._lock:
            seen = {r.start_number for r in self._routines.values() if not r.warm_up}
            return tuple(
                e.number
                for e in self._entries
                if e.consent == "do not film" and not e.scratched and e.number not in seen
            )

    def unfilmed(self, routine: int) -> bool:
        """Whether a routine is somebody's who is not to be filmed."""
        with self._lock:
            number = self._routines[routine].start_number if routine in self._routines else ""
            return bool(number) and self.consent(number) == "do not film"

    def pause(self, why: str) -> None:
        """Be told that no picture is kept now, and why; "" when they are kept again."""
        with self._lock:
            if why != self._paused:
                self._paused = why
                self._tell(self.start_list)

    def resume(self, last_ns: int) -> None:
        """Be told that capture begins again, and when its last picture was taken before.

        A routine that was under way then is over; what begins soon after is the same gymnast's.
        """
        with self._lock:
            under_way = self.under_way
            if under_way is None:
                return
            self._keep(msgspec.structs.replace(under_way, end_ns=max(last_ns, under_way.begin_ns)))
            if under_way.start_number:
                self._broken_off = under_way.start_number, last_ns + RESUME_NS

    def take(self, routine: Routine) -> None:
        """Take in a routine that was cut: it began, or it ended. It gets its number and is journalled."""
        with self._lock:
            known = self._routines.get(routine.routine)
            if known is not None:
                numbered = msgspec.structs.replace(known, begin_ns=routine.begin_ns, end_ns=routine.end_ns)
            elif self._part_at(routine.begin_ns) != "competition":
                numbered = msgspec.structs.replace(routine, warm_up=True)
            else:
                goes_on = "" if self._called else self._goes_on(routine.begin_ns)
                numbered = msgspec.structs.replace(
                    routine, start_number=goes_on or self._next(), by_hand=bool(goes_on or self._called)
                )
                self._call("")
                self._broken_off = None
            self._keep(numbered)
            if known is None:
                self._tell(self.start_list)

    def answer(self, request: EntryRequest | PartRequest) -> Answer:
        """Carry out a request; a refusal says why and what to do."""
        with self._lock:
            try:
                if isinstance(request, PartRequest):
                    self._begin(request)
                else:
                    self._change(request)
            except ConfigError as error:
                return Refused(reason=str(error))
            self._tell(self.start_list)
            return Accepted()

    # --- inside ---

    def _next(self) -> str:
        return self._called or next_up(self._entries, self._routines.values())

    def _goes_on(self, begin_ns: int) -> str:
        """The number of whoever is on the bars again: capture was cut off, or she fell. "" if nobody."""
        if self._broken_off is not None and begin_ns <= self._broken_off[1]:
            return self._broken_off[0]
        last = self._routines[max(self._routines)] if self._routines else None
        if last is None or last.warm_up or not last.start_number or last.end_ns is None:
            return ""
        if begin_ns - last.end_ns > FALL_NS or self.consent(last.start_number) == "do not film":
            return ""
        flights = [r for r in self._journal.readings() if r.routine == last.routine]
        dismounted = any(r.family == "dismount" for r in flights)
        return last.start_number if flights and not dismounted else ""

    def _part_at(self, t_ns: int | None) -> Part:
        """The part of the session at a time; the last one where ``t_ns`` is None."""
        parts = [part for began_ns, part in self._parts if t_ns is None or began_ns <= t_ns]
        return parts[-1] if parts else "competition"

    def _begin(self, request: PartRequest) -> None:
        now_ns = self._now_ns()
        self._journal.append(PartBegan(part=request.part, by=request.by), now_ns)
        self._parts.append((now_ns, request.part))

    def _change(self, request: EntryRequest) -> None:
        match request.action:
            case "load":
                self._load(request.entries, request.consent is not None)
            case "add":
                self._add(request.entries)
            case "number":
                self._number(request.number, request.routine)
            case "warm-up" | "competition":
                self._warm_up(request.routine, request.action == "warm-up")
            case "scratch" | "restore":
                self._scratch(self._entry(request.number), request.action == "scratch")
            case "swap":
                self._swap(self._entry(request.number), self._entry(request.other))
            case "consent":
                entry = self._entry(request.number)
                if request.consent is None:
                    raise ConfigError("say which consent: do not film, this session only, coaching, teaching")
                self._set(msgspec.structs.replace(entry, consent=request.consent))

    def _load(self, entries: tuple[Entry, ...], says_consent: bool) -> None:
        entries = _checked(entries)
        if not entries:
            raise ConfigError("the start list is empty; give one with at least one gymnast")
        known = {e.number: e for e in self._entries}
        if not says_consent:
            entries = tuple(
                msgspec.structs.replace(e, consent=known[e.number].consent) if e.number in known else e
                for e in entries
            )
        numbers = {e.number for e in entries}
        left = [msgspec.structs.replace(e, scratched=True) for e in self._entries if e.number not in numbers]
        self._replace(placed((*entries, *left)))
        if not any(r.start_number for r in self._routines.values()):
            self._number_afresh(0)  # the list came after the first gymnast

    def _add(self, entries: tuple[Entry, ...]) -> None:
        listed = list(self._entries)
        for entry in _checked(entries):
            if any(e.number == entry.number for e in listed):
                raise ConfigError(f"{entry.number} is on the start list already; restore or swap her")
            listed.insert(entry.order - 1 if entry.order > 0 else len(listed), entry)
        if len(listed) > ENTRIES_LIMIT:
            raise ConfigError(f"the start list would be longer than {ENTRIES_LIMIT}; begin another session")
        self._replace(placed(listed))

    def _number(self, number: str, routine: int) -> None:
        if number:
            number = start_number(number)
            if self._entries:
                self._entry(number)
        under_way = self.under_way
        if routine == 0 and under_way is None:
            self._call(number)
            return
        target = self._routine(routine) if routine else under_way
        assert target is not None
        self._keep(msgspec.structs.replace(target, start_number=number, by_hand=True, warm_up=False))
        self._number_afresh(target.routine)

    def _warm_up(self, routine: int, warm_up: bool) -> None:
        target = self._routine(routine) if routine else self.under_way
        if target is None:
            raise ConfigError("nobody is on the bars; say which routine")
        if target.warm_up == warm_up:
            return
        changed = msgspec.structs.replace(target, warm_up=warm_up, start_number="", by_hand=warm_up)
        self._keep(changed)
        self._number_afresh(target.routine - 1)

    def _number_afresh(self, after: int) -> None:
        """Number the routines after one again by the list's order, but for those numbered by hand."""
        so_far = [r for r in self.routines if r.routine <= after]
        for routine in [r for r in self.routines if r.routine > after]:
            if not (routine.by_hand or routine.warm_up):
                # Who was put on a later routine by hand is not due before it.
                later = [r for r in self.routines if r.routine > routine.routine and r.by_hand]
                number = next_up(self._entries, [*so_far, *later])
                if number != routine.start_number:
                    routine = msgspec.structs.replace(routine, start_number=number)
                    self._keep(routine)
            so_far.append(routine)

    def _scratch(self, entry: Entry, scratched: bool) -> None:
        seen = [r.routine for r in self.routines if r.start_number == entry.number and not r.warm_up]
        if scratched and seen:
            raise ConfigError(
                f"{entry.number} was on the bars in routine {seen[-1]}; "
                "put the right number on that routine first"
            )
        if scratched and self._called == entry.number:
            self._call("")
        self._set(msgspec.structs.replace(entry, scratched=scratched))

    def _swap(self, one: Entry, other: Entry) -> None:
        places = {one.number: other, other.number: one}
        self._replace(placed(places.get(e.number, e) for e in self._entries))

    def _entry(self, number: str) -> Entry:
        for entry in self._entries:
            if entry.number == number:
                return entry
        raise ConfigError(f"{number or 'nobody'} is not on the start list; add her first")

    def _routine(self, number: int) -> Routine:
        if number not in self._routines:
            raise ConfigError(
                f"there is no routine {number}; the last one is {max(self._routines, default=0)}"
            )
        return self._routines[number]

    def _set(self, entry: Entry) -> None:
        self._replace(tuple(entry if e.number == entry.number else e for e in self._entries))

    def _replace(self, entries: tuple[Entry, ...]) -> None:
        """Journal those entries that changed, then take them all."""
        before = {e.number: e for e in self._entries}
        now_ns = self._now_ns()
        for entry in entries:
            if before.get(entry.number) != entry:
                self._journal.append(gymnast_of(entry), now_ns)
        self._entries = entries

    def _keep(self, routine: Routine) -> None:
        self._journal.append(routine, routine.end_ns or self._now_ns())
        self._routines[routine.routine] = routine
        self._tell(routine)

    def _call(self, number: str) -> None:
        if number != self._called:
            self._called = number
            self._journal.append(Note(about=CALLED, text=number), self._now_ns())


def entries_of(journal: Journal) -> tuple[Entry, ...]:
    """The start list on record, in order; whoever has no place in it comes last."""
    listed = sorted(journal.gymnasts(), key=lambda g: (g.order == 0, g.order))
    return placed(
        Entry(
            number=g.start_number, order=g.order, rotation=g.rotation, group=g.group, consent=g.consent,
            name=g.name, scratched=g.scratched,
        )
        for g in listed
    )  # fmt: skip


def start_list_of(journal: Journal) -> StartList | None:
    """The start list of a recorded session; None where there never was one."""
    entries, parts = entries_of(journal), journal.parts()
    if not entries and not parts:
        return None
    number = called(journal) or next_up(entries, journal.routines())
    return StartList(entries=entries, next=number, part=parts[-1][1].part if parts else "competition")


def unfilmed(journal: Journal, routine: int) -> bool:
    """Whether a recorded routine is somebody's who is not to be filmed."""
    closed = {g.start_number for g in journal.gymnasts() if g.consent == "do not film"}
    return any(r.routine == routine and r.start_number in closed for r in journal.routines())


def called(journal: Journal) -> str:
    """The number that was called out of order and has not been on the bars since; "" if none."""
    text = ""
    for row in journal.rows("note"):
        entry = row.entry()
        if isinstance(entry, Note) and entry.about == CALLED:
            text = entry.text
    return text


def gymnast_of(entry: Entry) -> Gymnast:
    """An entry as the journal keeps it."""
    return Gymnast(
        start_number=entry.number, consent=entry.consent, name=entry.name, order=entry.order,
        rotation=entry.rotation, group=entry.group, scratched=entry.scratched,
    )  # fmt: skip


def load_request(read: ReadList, by: str = "meet staff") -> EntryRequest:
    """The request that loads a list as read."""
    said: Consent | None = "this session only" if read.says_consent else None
    return EntryRequest(action="load", entries=read.entries, consent=said, by=by)


def _checked(entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
    numbers = [start_number(e.number) for e in entries]
    for number in numbers:
        if numbers.count(number) > 1:
            raise ConfigError(f"number {number} is on the list twice; give each gymnast a number of her own")
    if len(entries) > ENTRIES_LIMIT:
        raise ConfigError(f"the start list is longer than {ENTRIES_LIMIT}; give one for each session")
    return entries

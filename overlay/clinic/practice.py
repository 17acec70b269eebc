"""A practice marking: clips shown in a shuffled order, marked privately, locked, then revealed.

What happens is a row of events; :meth:`State.after` says what may follow what, and nothing else
changes a practice. The events stand in an append-only journal (``bridge.journal``), so that a
practice which was cut off goes on where it was, and no mark is lost or changed unseen.

The rules that keep marks honest:

- a marker sees nobody else's mark before the clip's last showing is locked, and never whose it is;
- a mark can be given and changed only while its showing is open, and never after the lock;
- a clip that comes again is revealed only after it was marked the last time;
- nothing that a marker sees tells that a clip was shown before.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import random
import secrets
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal, cast

import msgspec

from bridge.clock import Clock, SystemClock
from bridge.errors import ExitCode, RailcrestError, RecordingError
from bridge.journal import Journal
from bridge.messages import Body
from overlay.clinic.agreement import Item, Mark
from overlay.clinic.examples import Example
from overlay.clinic.steps import Steps, StepTable
from overlay.words import speed_words

NS: Final = 1_000_000_000
GAP: Final = 3  # at least this many other showings lie between a clip and its repeat: our choice
FEW: Final = 3  # fewer marks than this are not spread out before the room: they would tell whose they are
MARKERS: Final = 60
SLOWNESS: Final = (1, 2, 4, 8)  # as the viewer's speeds
ALPHABET: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # without what is misread
Phase = Literal["waiting", "viewing", "marking", "locked", "ended"]


class NotNowError(RailcrestError):
    """Something that the practice does not allow at this moment or with these settings, and why."""

    exit_code = ExitCode.USAGE


class Showing(msgspec.Struct, frozen=True, kw_only=True):
    """One clip in its place in the order, with what is told about it once it is revealed."""

    number: int  # 1 for the first
    clip: str
    family: str
    repeat: bool
    steps: tuple[int, ...]  # hundredths
    reference: int | None = None
    reason: str = ""
    by: str = ""  # role of whoever set the reference
    slow_motion: bool = False
    measured: tuple[int, int] | None = None  # hundredths
    height_m: float | None = None
    height_u_m: float | None = None
    band: str = ""


class Begun(Body, frozen=True, kw_only=True, tag="begun"):
    """The practice as the teacher set it up."""

    title: str
    table: str
    room_code: str
    seed: int
    showings: tuple[Showing, ...]
    views: int = 1
    speed: str = "true speed"
    slowness: int = 1  # how many times slower than true speed clips are shown
    thinking_ns: int = 30 * NS


class Joined(Body, frozen=True, kw_only=True, tag="joined"):
    """A marker came in. Only the hash of the marker's own code is kept."""

    marker: str
    code_sha256: str
    paper: bool = False


class Viewed(Body, frozen=True, kw_only=True, tag="viewed"):
    """The clip was shown for the ``view``-th time."""

    number: int
    view: int


class Asked(Body, frozen=True, kw_only=True, tag="asked"):
    """Thinking time begins: marks may be given."""

    number: int


class Marked(Body, frozen=True, kw_only=True, tag="marked"):
    """A marker's mark; a later one of the same showing replaces it."""

    marker: str
    number: int
    mark: int


class Locked(Body, frozen=True, kw_only=True, tag="locked"):
    """Marks of this showing stand from here on."""

    number: int


class Typed(Body, frozen=True, kw_only=True, tag="typed"):
    """A mark that a marker wrote on paper, typed in afterwards; it cannot be typed twice."""

    marker: str
    number: int
    mark: int


class Revealed(Body, frozen=True, kw_only=True, tag="revealed"):
    """Spread, reference and measurement were shown to the room."""

    number: int


class Resumed(Body, frozen=True, kw_only=True, tag="resumed"):
    """The program was started again; an open showing gets its thinking time anew."""


class Ended(Body, frozen=True, kw_only=True, tag="ended"):
    """The practice is over."""


Event = Begun | Joined | Viewed | Asked | Marked | Locked | Typed | Revealed | Resumed | Ended
_decoder: Final[msgspec.json.Decoder[Any]] = msgspec.json.Decoder(Event)


@dataclass(frozen=True, slots=True)
class State:
    """A practice at one moment. Never changed: :meth:`after` gives the next one."""

    plan: Begun
    phase: Phase = "waiting"
    number: int = 0  # of the showing under way, or the last one
    view: int = 0
    until_ns: int = 0  # when thinking time is over
    codes: Mapping[str, str] = field(default_factory=dict)  # marker -> SHA-256 of the own code
    paper: frozenset[str] = frozenset()
    marks: Mapping[tuple[str, int], Mark] = field(default_factory=dict)
    revealed: tuple[int, ...] = ()

    def after(self, event: Event, t_ns: int) -> State:
        """The practice after an event. Raises NotNowError when it is not allowed now, and says why."""
        if isinstance(event, Resumed):
            return replace(self, until_ns=t_ns + self.plan.thinking_ns)
        if isinstance(event, Begun):
            raise NotNowError("the practice has begun already")
        if isinstance(event, Typed):
            return self._typed(event)
        if isinstance(event, Revealed):
            self._may_reveal(event.number)
            return replace(self, revealed=(*(n for n in self.revealed if n != event.number), event.number))
        if self.phase == "ended":
            raise NotNowError("the practice is over")
        if isinstance(event, Joined):
            return self._joined(event)
        if isinstance(event, Viewed):
            return self._viewed(event)
        if isinstance(event, Asked):
            if (self.phase, self.number, self.view) != ("viewing", event.number, self.plan.views):
                raise NotNowError(f"show clip {event.number} as often as agreed before marks are asked for")
            return replace(self, phase="marking", until_ns=t_ns + self.plan.thinking_ns)
        if isinstance(event, Marked):
            return self._marked(event, t_ns)
        if isinstance(event, Locked):
            if (self.phase, self.number) != ("marking", event.number):
                raise NotNowError(f"showing {event.number} is not open")
            return replace(self, phase="locked")
        if self.phase in ("viewing", "marking"):
            raise NotNowError("lock the open showing first")
        return replace(self, phase="ended")

    def showing(self, number: int) -> Showing:
        """A showing by its number. Raises NotNowError when there is none."""
        if not 1 <= number <= len(self.plan.showings):
            raise NotNowError(f"there is no showing {number}")
        return self.plan.showings[number - 1]

    def locked(self, number: int) -> bool:
        """Whether the marks of a showing stand."""
        return 1 <= number < self.number or (
            number == self.number and self.phase in ("locked", "ended") and number > 0
        )

    def items(self) -> list[Item]:
        """The locked showings, for :mod:`overlay.clinic.agreement`."""
        return [
            Item(s.number, s.clip, s.repeat, Steps(s.steps), s.reference, s.measured)
            for s in self.plan.showings
            if self.locked(s.number)
        ]

    def locked_marks(self) -> list[Mark]:
        """The marks that stand."""
        return [mark for (_, number), mark in sorted(self.marks.items()) if self.locked(number)]

    def _joined(self, event: Joined) -> State:
        if event.marker in self.codes or event.code_sha256 in self.codes.values():
            raise NotNowError("that marker is in already")
        if len(self.codes) >= MARKERS:
            raise NotNowError(f"the room is full: {MARKERS} markers")
        paper = self.paper | {event.marker} if event.paper else self.paper
        return replace(self, codes={**self.codes, event.marker: event.code_sha256}, paper=paper)

    def _viewed(self, event: Viewed) -> State:
        self.showing(event.number)
        again = (self.phase, event.number, event.view) == ("viewing", self.number, self.view + 1)
        following = (
            self.phase in ("waiting", "locked") and event.number == self.number + 1 and event.view == 1
        )
        if not (again or following):
            raise NotNowError(f"showing {event.number} is not next")
        if event.view > self.plan.views:
            raise NotNowError(f"each clip is shown {self.plan.views} times, as agreed")
        return replace(self, phase="viewing", number=event.number, view=event.view)

    def _marked(self, event: Marked, t_ns: int) -> State:
        if event.marker not in self.codes or event.marker in self.paper:
            raise NotNowError("join first")
        if (self.phase, self.number) != ("marking", event.number) or t_ns >= self.until_ns:
            raise NotNowError("marks are locked" if self.locked(event.number) else "marks are not open")
        self._check_step(event.number, event.mark)
        mark = Mark(event.marker, event.number, event.mark)
        return replace(self, marks={**self.marks, (event.marker, event.number): mark})

    def _typed(self, event: Typed) -> State:
        if event.marker not in self.paper:
            raise NotNowError("only the marks of a marker on paper are typed in")
        if not self.locked(event.number):
            raise NotNowError("lock the showing first")
        if (event.marker, event.number) in self.marks:
            raise NotNowError("that mark is typed in already, and stands")
        self._check_step(event.number, event.mark)
        mark = Mark(event.marker, event.number, event.mark, paper=True)
        return replace(self, marks={**self.marks, (event.marker, event.number): mark})

    def _check_step(self, number: int, mark: int) -> None:
        if mark not in self.showing(number).steps:
            raise NotNowError("choose one of the steps")

    def _may_reveal(self, number: int) -> None:
        clip = self.showing(number).clip
        if not self.locked(number):
            raise NotNowError(f"lock showing {number} first")
        through = all(self.locked(s.number) for s in self.plan.showings if s.clip == clip)
        if not through and self.phase != "ended":  # once it is over, a repeat that was left out comes no more
            raise NotNowError(f"keep showing {number} for later: its clip is not through yet")


# --- what each side may see -----------------------------------------------------------------


class Reveal(msgspec.Struct, frozen=True, kw_only=True):
    """What a revealed showing tells everybody. No names."""

    number: int
    marked: int
    spread: tuple[tuple[int, int], ...]  # step and how many gave it; empty when too few marked
    reference: int | None
    reason: str
    by: str
    slow_motion: bool
    measured: tuple[int, int] | None
    height_m: float | None
    height_u_m: float | None
    band: str


class MarkerView(msgspec.Struct, frozen=True, kw_only=True):
    """All that one marker's screen knows."""

    title: str
    marker: str
    phase: Phase
    number: int
    of: int
    family: str
    view: int
    views: int
    speed: str
    steps: tuple[int, ...]
    left_ns: int
    own: int | None  # the marker's own mark of this showing
    marked: int  # how many showings this marker has marked
    reveal: Reveal | None
    own_revealed: int | None  # the marker's own mark of what is revealed


class RoomView(msgspec.Struct, frozen=True, kw_only=True):
    """What the projector shows."""

    title: str
    room_code: str
    phase: Phase
    number: int
    of: int
    view: int
    views: int
    left_ns: int
    markers: int
    marked: int  # of this showing
    revealable: tuple[int, ...]
    reveal: Reveal | None


def reveal_of(state: State, number: int) -> Reveal:
    """What a showing reveals. Raises NotNowError before it is revealed."""
    if number not in state.revealed:
        raise NotNowError(f"showing {number} is not revealed")
    s = state.showing(number)
    given = [m.mark for m in state.marks.values() if m.number == number]
    spread = tuple((step, given.count(step)) for step in s.steps) if len(given) >= FEW else ()
    return Reveal(
        number=number,
        marked=len(given),
        spread=spread,
        reference=s.reference,
        reason=s.reason,
        by=s.by,
        slow_motion=s.slow_motion,
        measured=s.measured,
        height_m=s.height_m,
        height_u_m=s.height_u_m,
        band=s.band,
    )


def marker_view(state: State, marker: str, now_ns: int) -> MarkerView:
    """What a marker may see now. Raises NotNowError for somebody who has not joined."""
    if marker not in state.codes:
        raise NotNowError("join first")
    shown = state.showing(state.number) if state.number else None
    own = state.marks.get((marker, state.number))
    reveal = _last_reveal(state)
    then = state.marks.get((marker, reveal.number)) if reveal else None
    return MarkerView(
        title=state.plan.title,
        marker=marker,
        phase=_phase(state, now_ns),
        number=state.number,
        of=len(state.plan.showings),
        family=shown.family if shown else "",
        view=state.view,
        views=state.plan.views,
        speed=state.plan.speed,
        steps=shown.steps if shown else (),
        left_ns=_left(state, now_ns),
        own=own.mark if own else None,
        marked=sum(1 for who, _ in state.marks if who == marker),
        reveal=reveal,
        own_revealed=then.mark if then else None,
    )


def room_view(state: State, now_ns: int) -> RoomView:
    """What the projector may show now."""
    revealable = []
    for s in state.plan.showings:
        try:
            state._may_reveal(s.number)
        except NotNowError:
            continue
        revealable.append(s.number)
    return RoomView(
        title=state.plan.title,
        room_code=state.plan.room_code,
        phase=_phase(state, now_ns),
        number=state.number,
        of=len(state.plan.showings),
        view=state.view,
        views=state.plan.views,
        left_ns=_left(state, now_ns),
        markers=len(state.codes),
        marked=sum(1 for _, number in state.marks if number == state.number),
        revealable=tuple(revealable),
        reveal=_last_reveal(state),
    )


def _phase(state: State, now_ns: int) -> Phase:
    """The phase as it looks: thinking time that is over is locked, whether or not a row says so yet."""
    return "locked" if state.phase == "marking" and now_ns >= state.until_ns else state.phase


def _left(state: State, now_ns: int) -> int:
    return max(state.until_ns - now_ns, 0) if state.phase == "marking" else 0


def _last_reveal(state: State) -> Reveal | None:
    """The last thing revealed, until the next clip is under way."""
    if not state.revealed or state.phase in ("viewing", "marking"):
        return None
    return reveal_of(state, state.revealed[-1])


# --- setting up -----------------------------------------------------------------------------


def shuffled(clips: Sequence[str], repeats: int, seed: int) -> list[tuple[str, bool]]:
    """The order of showing, and whether each is a repeat: shuffled, repeats at least GAP showings later.

    Raises:
        NotNowError: a clip is named twice, or there are too few for that many repeats.
    """
    if len(set(clips)) != len(clips):
        raise NotNowError("a clip is named twice; name each once and ask for repeats")
    most = max(len(clips) - GAP, 0)
    if not 0 <= repeats <= most:
        raise NotNowError(f"{len(clips)} clips leave room for at most {most} repeats")
    draw = random.Random(seed)
    order = [(clip, False) for clip in draw.sample(sorted(clips), len(clips))]
    for clip in draw.sample([clip for clip, _ in order[:most]], repeats):
        earliest = order.index((clip, False)) + GAP + 1
        order.insert(draw.randint(earliest, len(order)), (clip, True))
    return order


def plan(
    title: str,
    examples: Iterable[Example],
    table: StepTable,
    *,
    today: date,
    seed: int,
    repeats: int = 0,
    views: int = 1,
    slowness: int = 1,
    thinking_ns: int = 30 * NS,
    room_code: str | None = None,
) -> Begun:
    """A practice over examples. The same seed gives the same order.

    Raises:
        ConfigError: the table has no steps for a family.
        NotNowError: no clips, one that is not cleared for teaching today, too few for the repeats, or
            settings that make no sense.
    """
    known = {e.id: e for e in examples}
    if not known:
        raise NotNowError("choose at least one clip that is cleared for teaching")
    if kept_back := [e.id for e in known.values() if not e.cleared(today)]:
        raise NotNowError(f"{', '.join(kept_back)}: not cleared for teaching today; leave it out")
    if slowness not in SLOWNESS:
        raise NotNowError(f"show clips at true speed, or {', '.join(map(str, SLOWNESS[1:]))} times slower")
    if views < 1 or thinking_ns < NS:
        raise NotNowError("show each clip at least once, and give at least a second to think")
    showings = []
    for number, (clip, repeat) in enumerate(shuffled(list(known), repeats, seed), 1):
        e = known[clip]
        steps = table.of(e.family)
        r = e.reference
        if r and r.mark not in steps.hundredths:
            raise NotNowError(f"{clip}: its reference is no step of {table.title}; change one of them")
        showings.append(
            Showing(
                number=number,
                clip=clip,
                family=e.family,
                repeat=repeat,
                steps=steps.hundredths,
                reference=r.mark if r else None,
                reason=r.reason if r else "",
                by=r.by if r else "",
                slow_motion=bool(r and r.slow_motion),
                measured=e.range,
                height_m=e.apex.value if e.apex else None,
                height_u_m=e.apex.u if e.apex else None,
                band=e.band,
            )
        )
    return Begun(
        title=title,
        table=table.title,
        room_code=room_code or new_code(6),
        seed=seed,
        showings=tuple(showings),
        views=views,
        speed=speed_words(Fraction(1, slowness)),
        slowness=slowness,
        thinking_ns=thinking_ns,
    )


def new_code(length: int) -> str:
    """A code that nobody guesses, of letters and digits that are not misread."""
    return "".join(secrets.choice(ALPHABET) for _ in range(length))


def tidy_code(code: str) -> str:
    """A code as typed by a person, without blanks, dashes and small letters."""
    return "".join(c for c in code.upper() if c in ALPHABET)


def _hash(code: str) -> str:
    return hashlib.sha256(code.encode()).hexdigest()


class Practice:
    """A practice and its journal; several threads may use it.

    Args:
        path: the journal. An existing practice goes on where it was.
        begun: the plan of a new practice; None to go on with an existing one.
        clock: for thinking time.
        code: gives a marker's own code.

    Raises:
        RecordingError: the journal cannot be used, holds no practice, holds another one, or another
            program holds the practice.
    """

    def __init__(
        self,
        path: Path,
        begun: Begun | None = None,
        *,
        clock: Clock | None = None,
        code: Callable[[], str] = lambda: new_code(8),
    ) -> None:
        self._clock: Clock = clock or SystemClock()
        self._code = code
        self._lock = threading.Lock()
        self._version = self._stage = 0
        fresh = not path.exists()
        if fresh and begun is None:
            raise RecordingError(f"{path}: there is no practice; name clips to begin one")
        if not fresh and begun is not None:
            raise RecordingError(f"{path}: holds a practice already; name another file, or go on with it")
        self._held = _hold(path)
        try:
            self._journal = Journal(path, write=True)
        except BaseException:
            self._let_go()
            raise
        try:
            if begun is not None:
                self._append(begun, self._clock.now_ns())
                self._state = State(begun)
            else:
                self._state = replay(self._journal)
                self.do(Resumed())
        except BaseException:
            self.close()
            raise

    @property
    def state(self) -> State:
        """The practice now. Thinking time that is over is locked first."""
        with self._lock:
            self._tick()
            return self._state

    @property
    def version(self) -> int:
        """Grows with everything that happens."""
        with self._lock:
            self._tick()
            return self._version

    @property
    def stage(self) -> int:
        """Grows with what the teacher does and with the clock, never with what a marker does.

        A marker's device asks for this, so that not even the moment of another's mark can be seen.
        """
        with self._lock:
            self._tick()
            return self._stage

    def now_ns(self) -> int:
        """The practice's clock."""
        return self._clock.now_ns()

    def do(self, event: Event) -> State:
        """Let something happen; it is on the disk when this returns. Raises NotNowError."""
        with self._lock:
            self._tick()
            return self._do(event)

    def join(self, *, paper: bool = False) -> tuple[str, str]:
        """Let a marker in; gives the marker's number and own code, which is told only here."""
        with self._lock:
            self._tick()
            marker = f"m{len(self._state.codes) + 1}"
            code = self._code()
            self._do(Joined(marker=marker, code_sha256=_hash(code), paper=paper))
            return marker, code

    def who(self, code: str) -> str | None:
        """The marker whose own code this is."""
        wanted = _hash(code)
        with self._lock:
            return next((m for m, h in self._state.codes.items() if secrets.compare_digest(h, wanted)), None)

    def mark(self, code: str, number: int, mark: int) -> State:
        """Mark with the own code. Raises NotNowError."""
        marker = self.who(code)
        if marker is None:
            raise NotNowError("join first")
        return self.do(Marked(marker=marker, number=number, mark=mark))

    def close(self) -> None:
        """Close the journal; safe to call twice."""
        self._journal.close()
        self._let_go()

    def __enter__(self) -> Practice:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _let_go(self) -> None:
        if self._held is not None:
            os.close(self._held)
            self._held = None

    def _tick(self) -> None:
        if self._state.phase == "marking" and self._clock.now_ns() >= self._state.until_ns:
            self._do(Locked(number=self._state.number))

    def _do(self, event: Event) -> State:
        t_ns = self._clock.now_ns()
        after = self._state.after(event, t_ns)
        self._append(event, t_ns)
        self._state = after
        self._version += 1
        if not isinstance(event, Joined | Marked | Typed):
            self._stage += 1
        return after

    def _append(self, event: Event, t_ns: int) -> None:
        # The journal chains any tagged struct; its own reader of entries is for sessions.
        self._journal.append(cast(Any, event), t_ns)


def _hold(path: Path) -> int | None:
    """Keep other programs from steering the same practice; gives the open lock file."""
    try:
        number = os.open(path.with_name(f"{path.name}.lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise RecordingError(f"{path}: cannot be written ({error.strerror}); choose another place") from error
    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.close(number)
        raise RecordingError(f"{path}: another program runs this practice; stop that one first") from error
    return number


def replay(journal: Journal) -> State:
    """The practice that a journal tells.

    Raises:
        RecordingError: its chain is broken, it holds no practice, or a row does not fit.
    """
    if wrong := journal.verify():
        raise RecordingError(f"practice {wrong}; the marks cannot be trusted")
    state: State | None = None
    for row in journal.rows():
        try:
            event: Event = _decoder.decode(row.body)
            if state is not None:
                state = state.after(event, row.t_ns)
            elif isinstance(event, Begun):
                state = State(event)
            else:
                raise NotNowError("it does not begin with a plan")
        except (msgspec.MsgspecError, NotNowError) as error:
            raise RecordingError(f"practice journal row {row.id} cannot be followed ({error})") from error
    if state is None:
        raise RecordingError("the journal holds no practice")
    return state

"""Example flights collected across sessions for teaching, with their reasons, consent and expiry.

A collection is one readable JSON file. It names each flight where it was recorded (session folder and
flight) and holds no pictures; copies for teaching lie in a folder beside it. Only flights cleared for
coaching or teaching are taken; when that ends, the example goes with its copy, and a dated note without
the gymnast's number stays.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from pathlib import Path
from typing import Annotated, Final, Literal

import msgspec

from bridge.errors import ConfigError, RecordingError
from bridge.journal import Consent
from bridge.messages import Quantity, Reading
from overlay.clinic.copy_places import drop_copies

FORMAT: Final = 1
Grade = Literal["good", "middling", "poor"]
Side = Literal["left", "right"]
GRADES: Final[tuple[Grade, ...]] = ("good", "middling", "poor")
SIDES: Final[tuple[Side, ...]] = ("left", "right")
_KEPT: Final[frozenset[Consent]] = frozenset({"coaching", "teaching"})

Text = Annotated[str, msgspec.Meta(min_length=1, max_length=2000)]


class Hidden(msgspec.Struct, frozen=True, kw_only=True):
    """A rectangle that is painted over in copies, px of the recorded picture."""

    x: int
    y: int
    width: Annotated[int, msgspec.Meta(ge=1)]
    height: Annotated[int, msgspec.Meta(ge=1)]


class Reference(msgspec.Struct, frozen=True, kw_only=True):
    """A reference mark: what it is, why, and who set it, by role. A changed one says why it was changed."""

    mark: Annotated[int, msgspec.Meta(ge=0, le=1000)]  # hundredths of a point
    reason: Text
    by: Text  # role: "expert judge", "panel of three"
    on: date
    slow_motion: bool = False  # whoever set it saw slow motion; the markers do not
    why_changed: str = ""


class Example(msgspec.Struct, frozen=True, kw_only=True):
    """One flight kept for teaching."""

    id: str  # session and flight: "2026-05-02-club/r1-f2"
    session: str
    flight: str
    gymnast: str  # start number or initials; never shown, needed to remove her
    family: Text
    grade: Grade
    reason: Text
    level: str = ""  # of the gymnast's programme
    side: Side  # where the low bar is in the picture
    camera_place: str = ""
    rule_book: Text
    rule_year: int
    shape: str = ""  # body shape at the highest point, in words
    apex: Quantity | None = None  # hips against the top of the rail, m
    band: str = ""
    range: tuple[int, int] | None = None  # of the measured band, hundredths
    consent: Consent
    expires: date
    references: tuple[Reference, ...] = ()  # oldest first
    folder: str = ""  # where the session lay when it was collected
    hidden: tuple[Hidden, ...] | None = None  # None: nobody has looked for numbers, names and scores yet

    @property
    def reference(self) -> Reference | None:
        """The reference in force."""
        return self.references[-1] if self.references else None

    def cleared(self, today: date) -> bool:
        """Whether it may be shown in a clinic today."""
        return self.consent == "teaching" and today <= self.expires


class Note(msgspec.Struct, frozen=True, kw_only=True):
    """What was taken out, when and why; without whom."""

    on: date
    text: str


class CollectionFile(msgspec.Struct, frozen=True, kw_only=True):
    """A collection as written."""

    format: int = FORMAT
    examples: tuple[Example, ...] = ()
    notes: tuple[Note, ...] = ()


def example_of(
    reading: Reading,
    *,
    session: str,
    gymnast: str,
    grade: Grade,
    reason: str,
    side: Side,
    rule_book: str,
    rule_year: int,
    consent: Consent,
    expires: date,
    level: str = "",
    camera_place: str = "",
    shape: str = "",
    folder: str = "",
) -> Example:
    """An example of a measured flight. A withheld reading gives one without height and band."""
    told = reading.state != "withheld"
    found = reading.range if told else None
    return Example(
        id=f"{session}/{reading.flight}",
        session=session,
        flight=reading.flight,
        gymnast=gymnast,
        family=reading.family,
        grade=grade,
        reason=reason,
        level=level,
        side=side,
        camera_place=camera_place,
        rule_book=rule_book,
        rule_year=rule_year,
        shape=shape,
        apex=reading.apex if told else None,
        band=reading.band if told else "",
        range=(round(found[0] * 100), round(found[1] * 100)) if found else None,
        consent=consent,
        expires=expires,
        folder=folder,
    )


class Collection:
    """The examples of one file, which is replaced whole at every change.

    Raises:
        ConfigError: the file cannot be read, or is of a newer version.
    """

    def __init__(self, path: Path, today: Callable[[], date] = date.today) -> None:
        self._path = path
        self._today = today
        self._examples: dict[str, Example] = {}
        self._notes: tuple[Note, ...] = ()
        try:
            file = msgspec.json.decode(path.read_bytes(), type=CollectionFile)
        except FileNotFoundError:
            return
        except (OSError, msgspec.MsgspecError, UnicodeDecodeError) as error:
            raise ConfigError(f"{path}: no example collection ({error}); name another file") from error
        if file.format > FORMAT:
            raise ConfigError(f"{path}: written by a newer Railcrest; update this one")
        self._examples = {e.id: e for e in file.examples}
        self._notes = file.notes

    @property
    def notes(self) -> tuple[Note, ...]:
        """What was taken out so far."""
        return self._notes

    @property
    def copies(self) -> Path:
        """The folder of the teaching copies, beside the file."""
        return self._path.with_name(f"{self._path.stem}-copies")

    def get(self, example: str) -> Example:
        """One example. Raises ConfigError when it is not in the collection."""
        if example not in self._examples:
            raise ConfigError(f"{example}: not in {self._path.name}; find lists what is")
        return self._examples[example]

    def add(self, example: Example) -> None:
        """Keep an example; one of the same flight is replaced, and keeps its references when none are given.

        Raises:
            ConfigError: consent does not cover it, it has expired, or a field is empty or outside.
            RecordingError: the file cannot be written.
        """
        try:
            example = msgspec.convert(msgspec.to_builtins(example), Example)
        except msgspec.ValidationError as error:
            raise ConfigError(f"{example.id}: {error}") from error
        if example.consent not in _KEPT:
            raise ConfigError(
                f"{example.id}: consent is “{example.consent}”; only coaching or teaching is kept"
            )
        if example.expires < self._today():
            raise ConfigError(f"{example.id}: to be deleted since {example.expires}; it cannot be collected")
        before = self._examples.get(example.id)
        if before and not example.references:
            example = msgspec.structs.replace(example, references=before.references)
        if before and example.hidden is None:
            example = msgspec.structs.replace(example, hidden=before.hidden)
        self._save({**self._examples, example.id: example}, self._notes)

    def refer(self, example: str, reference: Reference) -> None:
        """Set the reference mark, or change it and say why; earlier ones stay readable.

        Raises:
            ConfigError: a changed reference does not say why.
        """
        kept = self.get(example)
        if kept.references and not reference.why_changed.strip():
            raise ConfigError(f"{example}: it has a reference already; say why it is changed")
        changed = msgspec.structs.replace(kept, references=(*kept.references, reference))
        self.add(changed)

    def hide(self, example: str, hidden: Iterable[Hidden]) -> None:
        """Say what is painted over in copies; nothing when somebody looked and found nothing."""
        self.add(msgspec.structs.replace(self.get(example), hidden=tuple(hidden)))

    def find(
        self,
        *,
        family: str | None = None,
        grade: Grade | None = None,
        side: Side | None = None,
        level: str | None = None,
        camera: str | None = None,
        shape: str | None = None,
        band: str | None = None,
        consent: Consent | None = None,
        apex_m: tuple[float, float] | None = None,
        cleared: bool = False,
        disputed: Sequence[str] = (),
    ) -> list[Example]:
        """Examples that fit everything asked, in order of their names.

        Args:
            camera, shape: words that occur in the example's own.
            apex_m: hip heights from and to, m; examples without a height do not fit.
            cleared: only those that may be shown in a clinic today.
            disputed: names of examples, most disputed first; then only these, in this order.
        """

        def fits(e: Example) -> bool:
            exact = ((family, e.family), (grade, e.grade), (side, e.side), (level, e.level), (band, e.band))
            return (
                all(want is None or want == has for want, has in (*exact, (consent, e.consent)))
                and (camera is None or camera.casefold() in e.camera_place.casefold())
                and (shape is None or shape.casefold() in e.shape.casefold())
                and (apex_m is None or (e.apex is not None and apex_m[0] <= e.apex.value <= apex_m[1]))
                and (not cleared or e.cleared(self._today()))
            )

        names = [n for n in disputed if n in self._examples] if disputed else sorted(self._examples)
        return [e for e in (self._examples[n] for n in names) if fits(e)]

    def set_consent(self, session: str, gymnast: str, consent: Consent) -> list[str]:
        """Follow a changed consent of a session's gymnast; gives the names of examples that went."""
        hers = [e for e in self._examples.values() if (e.session, e.gymnast) == (session, gymnast)]
        if consent not in _KEPT:
            return self._drop(hers, f"consent became “{consent}”")
        changed = {e.id: msgspec.structs.replace(e, consent=consent) for e in hers}
        if changed:
            self._save({**self._examples, **changed}, self._notes)
        return []

    def set_expiry(self, session: str, expires: date) -> None:
        """Follow a changed day of deletion of a session."""
        moved = [e for e in self._examples.values() if e.session == session and e.expires != expires]
        if moved:
            changed = {e.id: msgspec.structs.replace(e, expires=expires) for e in moved}
            self._save({**self._examples, **changed}, self._notes)

    def forget(self, session: str, gymnast: str) -> list[str]:
        """Take a session's gymnast out; gives the names of the examples that went."""
        hers = [e for e in self._examples.values() if (e.session, e.gymnast) == (session, gymnast)]
        return self._drop(hers, "the gymnast was removed")

    def drop_expired(self) -> list[str]:
        """Take out what is past its date; gives the names."""
        today = self._today()
        return self._drop([e for e in self._examples.values() if e.expires < today], "the date had passed")

    def _drop(self, gone: Sequence[Example], why: str) -> list[str]:
        if not gone:
            return []
        names = {e.id for e in gone}
        drop_copies(self.copies, names)
        note = Note(on=self._today(), text=f"{len(names)} taken out: {why}")
        self._save({n: e for n, e in self._examples.items() if n not in names}, (*self._notes, note))
        return sorted(names)

    def _save(self, examples: dict[str, Example], notes: tuple[Note, ...]) -> None:
        ordered = tuple(examples[name] for name in sorted(examples))
        text = msgspec.json.format(
            msgspec.json.encode(CollectionFile(examples=ordered, notes=notes)), indent=1
        )
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            number, name = tempfile.mkstemp(prefix=f".{self._path.name}-", dir=self._path.parent)
            try:
                with os.fdopen(number, "wb") as file:
                    file.write(text)
                    file.flush()
                    os.fsync(file.fileno())
                Path(name).replace(self._path)
            except BaseException:
                with contextlib.suppress(OSError):
                    Path(name).unlink()
                raise
        except OSError as error:
            raise RecordingError(f"{self._path}: cannot be written ({error.strerror})") from error
        self._examples, self._notes = examples, notes


Cell = tuple[str, Grade, Side]


def balance(examples: Iterable[Example], families: Sequence[str]) -> dict[Cell, int]:
    """How many examples there are of each family, grade and side; noughts show what is missing."""
    found = Counter((e.family, e.grade, e.side) for e in examples)
    return {cell: found[cell] for cell in itertools.product(families, GRADES, SIDES)}


def balanced(examples: Iterable[Example], families: Sequence[str], size: int) -> list[Example]:
    """At most ``size`` examples, spread over family, grade and side as evenly as the supply allows.

    Middling ones first where it does not come out even: judges agree least there. Examples whose
    gymnast or session is in already come after others of their cell. The same input gives the same set.
    """
    order: tuple[Grade, ...] = ("middling", "good", "poor")
    cells: dict[Cell, list[Example]] = {
        (f, g, s): [] for g, f, s in itertools.product(order, families, SIDES)
    }
    for e in sorted(examples, key=lambda e: e.id):
        if (cell := (e.family, e.grade, e.side)) in cells:
            cells[cell].append(e)
    chosen: list[Example] = []
    seen: Counter[tuple[str, str]] = Counter()
    while len(chosen) < size and any(cells.values()):
        for supply in cells.values():
            if supply and len(chosen) < size:
                nearest = min(supply, key=lambda e: (seen[e.session, e.gymnast], e.id))
                supply.remove(nearest)
                seen[nearest.session, nearest.gymnast] += 1
                chosen.append(nearest)
    return chosen

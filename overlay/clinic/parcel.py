"""A lesson packed to hand to another teacher: examples, their copies and the rules on use, in one file.

Start numbers and places of sessions stay behind, so nobody can tell from a parcel who was filmed.
Consent to teaching and its last day travel along: only what is cleared is packed, and what is past its
day is not unpacked.
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any, Final

import msgspec

from bridge.errors import ConfigError, RecordingError
from overlay.clinic.copies import CLIP, FACTS, Copy, have_copy
from overlay.clinic.copy_places import copy_folder
from overlay.clinic.examples import Collection, CollectionFile, Example

EXAMPLES: Final = "examples.json"
RULES: Final = "RULES.txt"
OWN: Final = "parcel-"  # how names of unpacked examples begin
LARGEST: Final = 512 * 1024 * 1024  # bytes of one file of a parcel
RULES_TEXT: Final = """Rules on use

These clips show real gymnasts, often minors, with consent for teaching and for nothing else.

- Show them in a clinic, on your own screen. Do not put them on the net, send them on or film them.
- Do not name the gymnasts, and do not try to find out who they are.
- Each clip has a last day (examples.json, "expires"). After it, delete the clip; Railcrest does so itself.
- If you hear that a gymnast takes consent back, delete her clips that day, and tell those who have them.
- The measured figures assist. The panel decides, under its own code of points.
"""


def pack(path: Path, kept: Collection, examples: Iterable[Example], today: date) -> int:
    """Pack examples; gives how many.

    Raises:
        ConfigError: none, one that is not cleared for teaching today, or one that nobody has looked over.
        RecordingError: a copy cannot be made, or the file not written.
    """
    chosen = list(examples)
    if not chosen:
        raise ConfigError("a parcel needs at least one example; name some")
    for example in chosen:
        if not example.cleared(today):
            raise ConfigError(f"{example.id}: not cleared for teaching today; leave it out")
        if example.hidden is None:
            raise ConfigError(f"{example.id}: nobody looked it over; run railcrest clinic hide first")
    names = {e.id: f"clip-{n}" for n, e in enumerate(chosen, 1)}
    bare = tuple(_bare(e, names[e.id]) for e in chosen)
    unfinished = path.with_name(f".{path.name}.unfinished")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with zipfile.ZipFile(unfinished, "w", zipfile.ZIP_DEFLATED) as parcel:
            parcel.writestr(RULES, RULES_TEXT)
            listed = msgspec.json.encode(CollectionFile(examples=bare))
            parcel.writestr(EXAMPLES, msgspec.json.format(listed, indent=1))
            for example in chosen:
                folder, copy = have_copy(kept.copies, example)
                name = names[example.id]
                reading = msgspec.structs.replace(copy.reading, flight=name)
                told = msgspec.structs.replace(copy, example=_bare(example, name).id, reading=reading)
                parcel.writestr(f"{name}/{FACTS}", msgspec.json.encode(told))
                parcel.write(folder / CLIP, f"{name}/{CLIP}", zipfile.ZIP_STORED)
        unfinished.replace(path)
    except OSError as error:
        unfinished.unlink(missing_ok=True)
        raise RecordingError(f"{path}: cannot be written ({error.strerror}); choose another place") from error
    return len(chosen)


def unpack(path: Path, kept: Collection, today: date) -> list[str]:
    """Take a parcel's examples into a collection, with their copies; gives their names.

    What is past its day is left out. Nothing is written outside the collection's own folder, whatever
    the parcel names.

    Raises:
        ConfigError: it is no parcel.
        RecordingError: the collection cannot be written.
    """
    taken = []
    try:
        with zipfile.ZipFile(path) as parcel:
            file = msgspec.json.decode(_read(parcel, EXAMPLES), type=CollectionFile)
            for example in file.examples:
                if not example.cleared(today):
                    continue
                copy = msgspec.json.decode(_read(parcel, f"{example.flight}/{FACTS}"), type=Copy)
                film = _read(parcel, f"{example.flight}/{CLIP}")
                if not example.id.startswith(OWN):
                    raise ConfigError(f"{path}: {example.id} would take the place of an example of your own")
                if copy.example != example.id or not copy.times_ns or copy.hidden != (example.hidden or ()):
                    raise ConfigError(f"{path}: {example.id} and its copy do not belong together")
                folder = copy_folder(kept.copies, example.id)
                folder.mkdir(parents=True, exist_ok=True)
                (folder / CLIP).write_bytes(film)
                (folder / FACTS).write_bytes(msgspec.json.encode(copy))
                kept.add(msgspec.structs.replace(example, folder="", gymnast=""))
                taken.append(example.id)
    except (zipfile.BadZipFile, KeyError, msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: no parcel of examples ({error})") from error
    except OSError as error:
        raise RecordingError(f"{path}: cannot be unpacked ({error.strerror})") from error
    return taken


def _read(parcel: zipfile.ZipFile, name: str) -> bytes:
    info = parcel.getinfo(name)
    if info.file_size > LARGEST:
        raise ConfigError(f"{name}: too large for a clip")
    with parcel.open(info) as file:
        data = file.read(LARGEST + 1)
    if len(data) > LARGEST:
        raise ConfigError(f"{name}: too large for a clip")
    return data


def _bare(example: Example, name: str) -> Example:
    """The example without whose it is and where it came from; its flight is its place in the parcel."""
    changed: dict[str, Any] = {"session": "parcel", "flight": name, "gymnast": "", "folder": ""}
    mark = hashlib.sha256(msgspec.json.encode([example.id, example.reason])).hexdigest()[:10]
    changed["id"] = f"{OWN}{mark}/{name}"
    return msgspec.structs.replace(example, **changed)

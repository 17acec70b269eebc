"""Parcels for another teacher: nobody's number, rules on use, nothing outside the folder."""

from __future__ import annotations

import shutil
import zipfile
from datetime import date
from pathlib import Path

import msgspec
import pytest

from bridge.errors import ConfigError
from overlay.clinic.collecting import collect_flight, follow
from overlay.clinic.copies import have_copy
from overlay.clinic.examples import Collection, CollectionFile, Hidden, Reference
from overlay.clinic.parcel import EXAMPLES, RULES, pack, unpack
from overlay.pixels import decode_clip

SHIPPED = Path(__file__).parent.parent / "recorded_sessions" / "clinic" / "evening-2"
TODAY = date(2031, 5, 4)


@pytest.fixture
def kept(tmp_path: Path) -> Collection:
    session = Path(shutil.copytree(SHIPPED, tmp_path / "evening-2"))
    made = Collection(tmp_path / "mine" / "set.json", lambda: TODAY)
    for flight in ("r1-f2", "r1-f3"):
        example = collect_flight(made, session, flight, "good", "hips clear of the bar")
        made.refer(example.id, Reference(mark=0, reason="invented", by="panel of three", on=TODAY))
        made.hide(example.id, [Hidden(x=180, y=300, width=100, height=180)])
    return made


def test_a_parcel_arrives_whole_and_tells_nobody(kept: Collection, tmp_path: Path) -> None:
    parcel = tmp_path / "lesson.zip"
    assert pack(parcel, kept, kept.find(), TODAY) == 2
    with zipfile.ZipFile(parcel) as held:
        names = held.namelist()
        texts = b"".join(held.read(n) for n in names if not n.endswith(".mkv"))
        assert "consent for teaching" in held.read(RULES).decode()
    assert len(names) == 6
    for told in (b'"24"', b"evening-2", b"r1-f2", str(tmp_path).encode()):
        assert told not in texts
    theirs = Collection(tmp_path / "theirs" / "set.json", lambda: TODAY)
    taken = unpack(parcel, theirs, TODAY)
    assert len(taken) == 2
    assert follow(theirs) == []
    mine = kept.find()
    for example, own in zip(theirs.find(), mine, strict=True):
        assert (example.reason, example.reference, example.expires) == (
            own.reason,
            own.reference,
            own.expires,
        )
        assert (example.gymnast, example.folder, example.consent) == ("", "", "teaching")
        folder, copy = have_copy(theirs.copies, example)
        assert decode_clip(copy.clip(folder)).times_ns == copy.times_ns
        assert copy.hidden == own.hidden
    assert unpack(parcel, theirs, TODAY) == taken  # once more changes nothing
    assert len(theirs.find()) == 2
    assert unpack(parcel, Collection(tmp_path / "late.json", lambda: TODAY), date(2099, 12, 31)) != []
    assert unpack(parcel, Collection(tmp_path / "later.json"), date(2100, 1, 1)) == []


def test_only_what_is_cleared_and_looked_over_is_packed(kept: Collection, tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="at least one"):
        pack(tmp_path / "p.zip", kept, [], TODAY)
    example = kept.find()[0]
    with pytest.raises(ConfigError, match="looked it over"):
        pack(tmp_path / "p.zip", kept, [msgspec.structs.replace(example, hidden=None)], TODAY)
    with pytest.raises(ConfigError, match="not cleared"):
        pack(tmp_path / "p.zip", kept, [msgspec.structs.replace(example, consent="coaching")], TODAY)
    assert not (tmp_path / "p.zip").exists()


@pytest.mark.parametrize("flight", ["../../evil", "/etc", "clip-1/../.."])
def test_a_parcel_cannot_write_elsewhere(kept: Collection, tmp_path: Path, flight: str) -> None:
    parcel = tmp_path / "lesson.zip"
    pack(parcel, kept, kept.find()[:1], TODAY)
    with zipfile.ZipFile(parcel) as held:
        files = {n: held.read(n) for n in held.namelist()}
    file = msgspec.json.decode(files[EXAMPLES], type=CollectionFile)
    evil = msgspec.structs.replace(file.examples[0], flight=flight, id=f"parcel-/../../{flight}/x")
    copy = msgspec.json.decode(files["clip-1/copy.json"])
    copy["example"] = evil.id
    with zipfile.ZipFile(parcel, "w") as held:
        held.writestr(EXAMPLES, msgspec.json.encode(CollectionFile(examples=(evil,))))
        held.writestr(f"{flight}/copy.json", msgspec.json.encode(copy))
        held.writestr(f"{flight}/clip.mkv", files["clip-1/clip.mkv"])
    room = tmp_path / "room" / "set.json"
    theirs = Collection(room, lambda: TODAY)
    before = {p for p in tmp_path.rglob("*") if room.parent not in p.parents and p != room.parent}
    unpack(parcel, theirs, TODAY)
    assert {p for p in tmp_path.rglob("*") if room.parent not in p.parents and p != room.parent} == before
    assert {p.parent for p in theirs.copies.iterdir()} == {theirs.copies}


def test_a_parcel_cannot_take_the_place_of_ones_own(kept: Collection, tmp_path: Path) -> None:
    parcel = tmp_path / "lesson.zip"
    pack(parcel, kept, kept.find()[:1], TODAY)
    with zipfile.ZipFile(parcel) as held:
        files = {n: held.read(n) for n in held.namelist()}
    theirs = files[EXAMPLES].replace(b"parcel-", b"evening-2/r1-f2")
    with zipfile.ZipFile(parcel, "w") as held:
        for name, data in (files | {EXAMPLES: theirs}).items():
            held.writestr(name, data)
    with pytest.raises(ConfigError, match="take the place"):
        unpack(parcel, kept, TODAY)


@pytest.mark.parametrize("content", [b"", b"PK", b"no parcel"])
def test_what_is_no_parcel_is_refused(kept: Collection, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.zip"
    path.write_bytes(content)
    with pytest.raises(ConfigError, match="no parcel"):
        unpack(path, kept, TODAY)
    with zipfile.ZipFile(path, "w") as held:
        held.writestr("other", "x")
    with pytest.raises(ConfigError, match="no parcel"):
        unpack(path, kept, TODAY)

"""Small real session folders, with invented readings, made by the tests themselves."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from unittest.mock import patch

import av

from bridge.journal import FILE as JOURNAL_FILE
from bridge.journal import hash_file
from bridge.messages import Quantity, Reading, Routine, Ruling
from bridge.session import LOCK, SessionWriter, new_manifest
from tests.clips import numbered_picture

SIZE = (192, 96)
# Capture times as a real camera gives them: uneven, and far from zero.
TIMES_NS = [7_000_000_123 + i * 16_666_667 + (i % 5) * 700_001 for i in range(150)]


def record(
    folder: Path, times_ns: Sequence[int], *, segment: int = 1, codec: str = "libx264"
) -> Iterator[int]:
    """Write a segment picture by picture as the recorder does; gives how many are written."""
    with (
        av.open(
            str(folder / f"feed-{segment:04d}.mkv"), "w", format="matroska",
            options={"flush_packets": "1", "cluster_time_limit": "500"},
        ) as container,
        (folder / f"feed-{segment:04d}.csv").open("w", buffering=1) as sidecar,
    ):  # fmt: skip
        rows = csv.writer(sidecar, lineterminator="\n")
        rows.writerow(["frame", "t_ns", "pts"])
        stream = container.add_stream(codec, rate=60)
        stream.width, stream.height = SIZE
        stream.pix_fmt = "yuv420p" if codec == "libx264" else "yuvj420p"
        stream.codec_context.time_base = Fraction(1, 1000)
        stream.codec_context.gop_size = 25
        stream.codec_context.max_b_frames = 0
        if codec == "libx264":
            stream.options = {"preset": "ultrafast", "tune": "zerolatency"}
        frames = 0
        for i, t_ns in enumerate(times_ns):
            picture = av.VideoFrame.from_ndarray(numbered_picture(i, SIZE), format="bgr24")
            picture.pts, picture.time_base = round((t_ns - times_ns[0]) / 1e6), Fraction(1, 1000)
            for packet in stream.encode(picture):
                tick = packet.pts
                container.mux(packet)
                rows.writerow([frames, times_ns[frames], tick])
                frames += 1
            yield i + 1
        for packet in stream.encode():
            tick = packet.pts
            container.mux(packet)
            rows.writerow([frames, times_ns[frames], tick])
            frames += 1


def write_segment(folder: Path, times_ns: Sequence[int], *, segment: int = 1, codec: str = "libx264") -> None:
    """Write a whole segment."""
    for _ in record(folder, times_ns, segment=segment, codec=codec):
        pass


@contextmanager
def left_open(writer: SessionWriter) -> Iterator[None]:
    """Leave a session as a kill does."""
    yield
    writer.journal.close()
    hash_file(writer.folder / JOURNAL_FILE).unlink()
    (writer.folder / LOCK).rename(writer.folder / "kept")  # closing takes the lock away
    with patch("bridge.session.seal", lambda *_: []):
        writer.close()
    (writer.folder / "kept").rename(writer.folder / LOCK)


def invented_reading(number: int, release: int, top: int, end: int, **more: object) -> Reading:
    """A settled reading between pictures of :data:`TIMES_NS`."""
    fields: dict[str, object] = {
        "flight": f"r1-f{number}", "routine": 1, "number": number, "state": "settled",
        "family": "salto_regrasp", "family_p": 0.99, "rail": "high",
        "release_ns": TIMES_NS[release], "apex_ns": TIMES_NS[top], "end_ns": TIMES_NS[end],
        "apex": Quantity(0.123, 0.014, "m"), "band": "above", "band_p": 0.98, "range": (0.0, 0.0),
        "gravity": Quantity(9.7, 0.2, "m/s2"),
    }  # fmt: skip
    return Reading(**{**fields, **more})  # type: ignore[arg-type]


def recorded_session(folder: Path, codec: str = "libx264", *, closed: bool = True) -> Path:
    """A session: 2.5 s of pictures, one routine, two flights, one ruling.

    One that is not closed is as a power cut leaves it: with a lock of a process that is no more, and
    nothing sealed.
    """
    rig = "format = 1\n"
    writer = SessionWriter(folder, new_manifest("Invented turns", rig_toml=rig, table="invented 2026"))
    with writer if closed else left_open(writer):
        write_segment(folder, TIMES_NS, codec=codec)
        journal = writer.journal
        journal.append(Routine(routine=1, start_number="12", begin_ns=TIMES_NS[0]), TIMES_NS[0])
        provisional = invented_reading(1, 30, 45, 60, state="provisional", end_ns=0)
        journal.append(provisional, TIMES_NS[50])
        journal.append(invented_reading(1, 30, 45, 60), TIMES_NS[61])
        withheld = invented_reading(
            2, 90, 105, 120, state="withheld", reason="the fall does not fit gravity", apex=None,
            band="", range=None, end_kind="landing", family="dismount",
        )  # fmt: skip
        journal.append(withheld, TIMES_NS[121])
        journal.append(Ruling(flight="r1-f1", decision="above", by="panel"), TIMES_NS[140])
    return folder

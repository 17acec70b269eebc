"""A coverage-guided fuzzer on what we decode; run by hand: ``python tests/fuzz.py messages 60``.

Needs ``pip install atheris``. It starts from whole inputs, so that it soon gets past the first checks;
what it finds becomes a test in test_messages.py or test_hostile.py.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["bridge"]):
    from bridge.codec import decode
    from bridge.errors import RailcrestError
    from bridge.session import Manifest, Session, read_manifest

from tests.sessions import recorded_session
from tests.test_messages import GOLDEN_1


def main(what: str, seconds: str) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder, corpus = Path(scratch) / "s", Path(scratch) / "corpus"
        corpus.mkdir()
        recorded_session(folder)
        if what == "messages":
            seeds = [bytes.fromhex(text) for text in GOLDEN_1.values()]
        else:
            path = folder / {"manifest": "session.json", "times": "feed-0001.csv"}[what]
            seeds = [path.read_bytes()]
        for i, seed in enumerate(seeds):
            (corpus / str(i)).write_bytes(seed)

        def through_file(read: Callable[[], object]) -> Callable[[bytes], object]:
            def run(data: bytes) -> object:
                path.write_bytes(data)
                return read()

            return run

        readers: dict[str, Callable[[bytes], object]] = {
            "messages": decode,
            "manifest": through_file(lambda: read_manifest(folder)),
            "times": through_file(lambda: Session(folder, Manifest(title="", created="")).segments()),
        }

        def one(data: bytes) -> None:
            with contextlib.suppress(RailcrestError):
                readers[what](data)

        atheris.Setup([sys.argv[0], f"-max_total_time={seconds}", "-print_final_stats=1", str(corpus)], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main(*sys.argv[1:])

"""A coverage-guided fuzzer on what we decode; run by hand: ``python -m tests.fuzz messages 60``.

Needs ``pip install atheris``, which nothing else does. Besides ``messages`` it takes every kind of file
in :data:`tests.test_hostile.READERS` (``manifest``, ``rig``, ``journal``, ...) and begins with whole ones,
so that it soon gets past the first checks; what it finds becomes a test in test_messages.py or
test_hostile.py.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from pathlib import Path

try:
    import atheris
except ImportError:
    sys.exit("the fuzzer needs atheris; pip install atheris")

with atheris.instrument_imports(include=["bridge", "capture"]):
    from bridge.codec import decode
    from bridge.errors import RailcrestError
    from tests.test_hostile import READERS, whole_files

from tests.test_messages import GOLDEN_1


def main(what: str, seconds: str) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder, corpus = Path(scratch) / "s", Path(scratch) / "corpus"
        corpus.mkdir()
        whole_files(folder)
        name, read = READERS.get(what, ("", None))
        path = folder / name
        seeds = [path.read_bytes()] if read else [bytes.fromhex(text) for text in GOLDEN_1.values()]
        for i, seed in enumerate(seeds):
            (corpus / str(i)).write_bytes(seed)

        def one(data: bytes) -> None:
            with contextlib.suppress(RailcrestError):
                if read is None:
                    decode(data)
                else:
                    path.write_bytes(data)
                    read(path)

        atheris.Setup([sys.argv[0], f"-max_total_time={seconds}", "-print_final_stats=1", str(corpus)], one)
        atheris.Fuzz()


if __name__ == "__main__":
    if len(sys.argv) != 3 or sys.argv[1] not in {"messages", *READERS}:
        sys.exit(f"python -m tests.fuzz {'|'.join(['messages', *READERS])} SECONDS")
    main(*sys.argv[1:])

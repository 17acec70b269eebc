"""The finder: people in whole pictures, without a socket opened or a setting of the process changed."""

from __future__ import annotations

import subprocess
import sys
import textwrap

import cv2
import numpy as np
import pytest

from capture.finder import Finder


@pytest.fixture(scope="module")
def finder() -> Finder:
    return Finder()


def overlap(a: np.ndarray, b: np.ndarray) -> float:
    """Intersection over union of two boxes."""
    low, high = np.maximum(a[:2], b[:2]), np.minimum(a[2:4], b[2:4])
    both = np.prod(np.clip(high - low, 0, None))
    return float(both / (np.prod(a[2:4] - a[:2]) + np.prod(b[2:4] - b[:2]) - both))


def test_people_of_the_studio_are_found(finder: Finder) -> None:
    pytest.importorskip("moderngl")
    from bridge.errors import SystemLibraryError
    from capture.studio.body import shapes
    from capture.studio.pictures import GYMNAST, Maker

    try:
        maker = Maker(shapes(), seed=20_262, frame_size=(1280, 768))
    except SystemLibraryError as fault:
        pytest.skip(str(fault))
    gymnasts, wrong, boxes = [], 0, 0
    for number in range(12):
        frame = maker.frame(number)
        found = finder.find(np.ascontiguousarray(frame.image[..., ::-1]))
        assert found.shape[1] == 5
        assert (np.diff(found[:, 4]) <= 0).all()
        for box in frame.boxes:
            if box[4] == GYMNAST:
                gymnasts.append(max((overlap(box, f) for f in found), default=0.0))
        boxes += len(found)
        wrong += sum(max((overlap(b, f) for b in frame.boxes), default=0.0) < 0.1 for f in found)
    maker.release()
    assert len(gymnasts) >= 6
    assert np.mean(np.array(gymnasts) > 0.5) > 0.6
    assert wrong <= 0.25 * boxes + 1


def test_nobody_in_an_even_picture(finder: Finder) -> None:
    assert finder.find(np.full((1080, 1920, 3), 80, np.uint8)).shape == (0, 5)


def test_loading_leaves_the_threads_of_opencv_alone() -> None:
    before = cv2.getNumThreads()
    Finder()
    assert cv2.getNumThreads() == before


def test_the_finder_opens_no_socket_and_reads_no_name(tmp_path) -> None:
    # In a process of its own: the library keeps quiet where it sees pytest.
    program = """
        import socket, sys
        def refused(*arguments, **options):
            print("NETWORK", arguments)
            raise OSError("no network here")
        for name in ("connect", "connect_ex", "sendto", "bind"):
            setattr(socket.socket, name, refused)
        socket.getaddrinfo = socket.create_connection = socket.gethostbyname = refused
        import time
        import numpy as np
        from capture.finder import Finder
        finder = Finder()
        for _ in range(3):
            finder.find(np.zeros((360, 640, 3), np.uint8))
        time.sleep(0.3)
        assert "pytest" not in sys.modules
        from ultralytics import settings
        assert settings["sync"] is False
        print("done")
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().splitlines()[-1] == "done"
    assert "NETWORK" not in done.stdout

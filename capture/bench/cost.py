"""What following costs: processor time a frame on one core, beside a plain pose call on the whole frame.

Processor time, not the clock's: other work on the machine lengthens the wait, not the cost. All is held
on one core where the system can do that, and every library told to use one thread.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.bench.networks import HIPS, Look, in_px, middle
from capture.bench.stills import PX_PER_M, Film, Still
from capture.camera import view_of
from capture.feeds import FileFeed
from capture.finder import Finder, import_ultralytics
from capture.follow import Follower, apparatus_distance, apparatus_places
from capture.joints import Crop, Found, JointNetwork, cut, decode
from capture.models import find_network, import_openvino
from capture.rig import parse_rig

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

AT_ONCE: Final = 30  # frames decoded before they are followed, so that decoding is not counted
ASTRAY_M: Final = 0.25  # mid-hip, half a torso
PLAIN: Final = "yolo26n-pose.yaml"  # built here with random weights: its cost is that of trained ones
PLAIN_PX: Final = 640
PLAIN_CALLS: Final = 20
FAST: Final = {"BF16": "bf16", "FP16": "f16"}  # what the processor says it can do: OpenVINO's hint


@contextmanager
def one_core() -> Iterator[None]:
    """Hold this thread, and those that it starts, on one core; set the libraries to one thread."""
    import torch

    threads, torch_threads = cv2.getNumThreads(), torch.get_num_threads()
    cores = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else None
    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    if cores:
        os.sched_setaffinity(0, {max(cores)})
    try:
        yield
    finally:
        if cores:
            os.sched_setaffinity(0, cores)
        torch.set_num_threads(torch_threads)
        cv2.setNumThreads(threads)


class Timed:
    """Counts passes and the processor seconds that the whole process spends in them: ``with timed: ...``."""

    def __init__(self) -> None:
        self.calls = 0
        self.seconds = 0.0
        self._began = 0.0

    def __enter__(self) -> None:
        self._began = time.process_time()

    def __exit__(self, *fault: object) -> None:
        self.seconds += time.process_time() - self._began
        self.calls += 1

    @property
    def ms(self) -> float | None:
        """Milliseconds a pass."""
        return round(1000 * self.seconds / self.calls, 2) if self.calls else None


class _TimedNetworks:
    """Both networks, each timed."""

    def __init__(self) -> None:
        self._finder, self._joints = Finder(), JointNetwork(threads=1)
        self.finding, self.jointing = Timed(), Timed()

    def warm_up(self) -> None:
        """Run the joint network once, uncounted; the finder does that itself."""
        side = self._joints.side
        self._joints(np.zeros((side, side, 3), np.uint8), Crop(side / 2, side / 2, side))

    def find(self, bgr: Image) -> Floats:
        with self.finding:
            return self._finder.find(bgr)

    def __call__(self, bgr: Image, crop: Crop) -> Found:
        with self.jointing:
            return self._joints(bgr, crop)


def follow(films: Sequence[Film]) -> tuple[dict[str, Any], Image]:
    """Follow films on one core: cost a frame and mid-hip errors; the last frame besides.

    Each film starts as a feed does, with nobody followed; what looking for her costs is part of it.
    Frames astray, with the mid-hip far off, follow something else: they are counted, and are left out
    of the errors.
    """
    networks, pushed = _TimedNetworks(), Timed()
    networks.warm_up()
    looks, lost, image = [], 0, np.zeros((1, 1, 3), np.uint8)
    for film in films:
        view = view_of(parse_rig(film.rig.read_text(encoding="utf-8"), str(film.rig)))
        follower = Follower(networks, networks, apparatus_distance(view), {}, apparatus_places(view))
        frames = zip(FileFeed(film.path), film.joints_px, strict=True)
        while some := list(islice(frames, AT_ONCE)):
            for frame, true_px in some:
                image = frame.image
                with pushed:
                    seen = follower.push(frame.t_ns, image)
                if np.isfinite(middle(seen.px, HIPS)).all():
                    looks.append(Look(true_px, Found(seen.px, seen.sigma_px, seen.score), False))
                else:
                    lost += 1
    near = [
        look
        for look in looks
        if np.linalg.norm(middle(look.found.px - look.true_px, HIPS)) < ASTRAY_M * PX_PER_M
    ]
    figures = {
        "frames": pushed.calls,
        "ms_per_frame": pushed.ms,
        "finder_ms": networks.finding.ms,
        "finder_calls": networks.finding.calls,
        "joints_ms": networks.jointing.ms,
        "joints_calls": networks.jointing.calls,
        "frames_without_hips": lost,
        "frames_astray": len(looks) - len(near),
        **in_px(near),
    }
    return figures, image


def plain_call(bgr: Image) -> float:
    """Processor ms of the library's own pose call on a whole frame at 640 px, on one core."""
    ultralytics = import_ultralytics()
    import torch

    with tempfile.TemporaryDirectory(prefix="railcrest-bench-") as scratch:
        path = Path(scratch) / "plain.pt"
        ultralytics.YOLO(PLAIN).save(str(path))
        model = ultralytics.YOLO(str(path))
        timed = Timed()
        for call in range(PLAIN_CALLS + 2):
            if call == 2:  # two to warm up
                timed = Timed()
                torch.set_num_threads(1)  # the library's first call sets its own
            with timed:
                model.predict(bgr, imgsz=PLAIN_PX, device="cpu", verbose=False)
    return timed.ms or 0.0


def fast_precision() -> str | None:
    """The hint for what this processor computes faster than in 32 bits; None if it has nothing."""
    able = import_openvino().Core().get_property("CPU", "OPTIMIZATION_CAPABILITIES")
    return next((hint for name, hint in FAST.items() if name in able), None)


def precisions(some: Sequence[Still]) -> dict[str, Any]:
    """What the joint network costs in FP32 and in the fast precision, and how far its joints then differ.

    Differences in px of 1080p pictures from 10 m away.
    """
    path, network = find_network("joints")
    side, fast = network.input_px[0], fast_precision()
    blobs = [cv2.dnn.blobFromImage(cut(s.bgr, s.crop, side), 1 / 255, swapRB=True) for s in some]
    px, ms = {}, {}
    for hint in ("f32", *((fast,) if fast else ())):
        compiled = (
            import_openvino()
            .Core()
            .compile_model(
                str(path),
                "CPU",
                {
                    "PERFORMANCE_HINT": "LATENCY",
                    "INFERENCE_NUM_THREADS": 1,
                    "INFERENCE_PRECISION_HINT": hint,
                },
            )
        )
        request, timed = compiled.create_infer_request(), Timed()
        request.infer([blobs[0]])
        found = []
        for blob in blobs:
            with timed:
                logits = request.infer([blob])[0][0]
            found.append(decode(np.array(logits, np.float64))[0])
        px[hint] = np.stack(found)
        ms[hint] = timed.ms
    out: dict[str, Any] = {"fp32_inference_ms": ms["f32"], "fast": fast}
    if fast:
        scale = np.array([s.crop.side / side for s in some])
        every = np.linalg.norm(px[fast] - px["f32"], axis=2) * scale[:, None]
        hips = np.linalg.norm(middle(px[fast] - px["f32"], HIPS), axis=1) * scale
        out |= {
            "fast_inference_ms": ms[fast],
            "joints_differ_median_px": round(float(np.median(every)), 3),
            "joints_differ_99_percent_px": round(float(np.percentile(every, 99)), 3),
            "midhip_differs_rms_px": round(float(np.sqrt((hips**2).mean())), 3),
            "midhip_differs_worst_px": round(float(hips.max()), 3),
        }
    return out


def cost(films: Sequence[Film], some: Sequence[Still]) -> dict[str, Any]:
    """Every figure of cost, on one core."""
    with one_core():
        followed, frame = follow(films)
        plain_ms = plain_call(frame)
        return {
            "follow": followed,
            "plain_pose_640_ms": plain_ms,
            "plain_over_followed": round(plain_ms / followed["ms_per_frame"], 2),
            "precision": precisions(some),
        }

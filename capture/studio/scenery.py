"""Procedural pictures, clothes and skin tones for the rehearsal arena. Nothing in them names anything."""

from __future__ import annotations

import colorsys
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.studio.body import REGION, BodyShape

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]
Random = np.random.Generator


def colour(
    rng: Random, saturation: tuple[float, float] = (0, 1), value: tuple[float, float] = (0, 1)
) -> Floats:
    """A random colour (3,), 0 to 1."""
    return np.array(colorsys.hsv_to_rgb(rng.random(), rng.uniform(*saturation), rng.uniform(*value)))


def noise(rng: Random, height: int, width: int, octaves: int = 5) -> Floats:
    """Cloudy noise (h, w), 0 to 1."""
    out = np.zeros((height, width), np.float32)
    for octave in range(octaves):
        cells = 2 ** (octave + 1)
        grid = rng.random((cells, max(2, cells * width // height)), np.float32)
        out += cv2.resize(grid, (width, height), interpolation=cv2.INTER_CUBIC) / 2**octave
    out -= out.min()
    return np.asarray(out / max(float(out.max()), 1e-6))


def _bytes(picture: Floats) -> Bytes:
    return np.asarray(np.clip(picture, 0, 1) * 255 + 0.5, np.uint8)


def crowd(rng: Random, height: int, width: int) -> Bytes:
    """Rows of out-of-focus heads and shoulders in a dark stand."""
    out = np.full((height, width, 3), 0.12, np.float32) * (0.5 + colour(rng, (0, 0.4), (0.4, 1)))
    size = rng.uniform(0.015, 0.04) * height
    tones = SKIN[rng.integers(len(SKIN), size=64)]
    for y in np.arange(size * 2, height, size * rng.uniform(2.2, 3.2)):
        for x in np.arange(rng.uniform(0, size), width, size * rng.uniform(2.2, 3.5)):
            if rng.random() < 0.2:
                continue
            at = (int(x + rng.normal(0, 0.3 * size)), int(y + rng.normal(0, 0.2 * size)))
            dim = rng.uniform(0.3, 0.8)
            body = tuple(float(c) * dim for c in colour(rng, (0, 0.9), (0.1, 1)))
            cv2.ellipse(out, (at[0], int(at[1] + 1.5 * size)), (int(size), int(size)), 0, 0, 360, body, -1)
            skin = tuple(float(c) * dim for c in tones[rng.integers(64)])
            cv2.circle(out, at, max(1, int(0.5 * size)), skin, -1)
    return _bytes(cv2.GaussianBlur(out, (0, 0), rng.uniform(0.1, 0.5) * size + 0.5))


def curtain(rng: Random, height: int, width: int) -> Bytes:
    """Hanging folds of one colour."""
    x = np.linspace(0, 1, width)
    folds = np.mean([np.sin(2 * np.pi * (rng.uniform(4, 40) * x + rng.random())) for _ in range(4)], axis=0)
    fall = np.linspace(1, rng.uniform(0.6, 1), height)[:, None]
    shade = (0.75 + 0.25 * folds)[None] * fall
    return _bytes(
        shade[..., None] * colour(rng, (0, 1), (0.1, 0.8)) + 0.03 * noise(rng, height, width)[..., None]
    )


def banners(rng: Random, height: int, width: int) -> Bytes:
    """A wall with invented banners: abstract shapes, no lettering."""
    out = np.ones((height, width, 3), np.float32) * colour(rng, (0, 0.6), (0.1, 0.9)).astype(np.float32)
    out *= (0.85 + 0.15 * noise(rng, height, width))[..., None]
    for _ in range(rng.integers(2, 9)):
        w, h = int(rng.uniform(0.06, 0.4) * width), int(rng.uniform(0.06, 0.3) * height)
        x, y = int(rng.uniform(0, width - w)), int(rng.uniform(0, height - h))
        base = colour(rng, (0, 1), (0.2, 1))
        out[y : y + h, x : x + w] = base
        for _ in range(rng.integers(0, 6)):
            c = tuple(float(v) for v in colour(rng))
            at = (x + int(rng.random() * w), y + int(rng.random() * h))
            radius = max(1, int(rng.uniform(0.1, 0.5) * h))
            patch = out[y : y + h, x : x + w]
            inside = (at[0] - x, at[1] - y)
            canvas = np.ascontiguousarray(patch)
            kind = rng.integers(4)
            if kind == 0:
                cv2.circle(canvas, inside, radius, c, -1, cv2.LINE_AA)
            elif kind == 1:
                cv2.ellipse(
                    canvas, inside, (2 * radius, radius), rng.uniform(0, 180), 0, 360, c, -1, cv2.LINE_AA
                )
            elif kind == 2:
                corners = (np.array(inside) + rng.normal(0, radius, (3, 2))).astype(np.int32)
                cv2.fillPoly(canvas, [corners], c, cv2.LINE_AA)
            else:
                end = (int(rng.random() * w), int(rng.random() * h))
                cv2.line(canvas, inside, end, c, max(1, radius // 3), cv2.LINE_AA)
            out[y : y + h, x : x + w] = canvas
    return _bytes(out)


def windows(rng: Random, height: int, width: int) -> Bytes:
    """A hall wall with a bright row of windows."""
    out = np.ones((height, width, 3), np.float32) * colour(rng, (0, 0.3), (0.3, 0.8)).astype(np.float32)
    top, tall = rng.uniform(0.05, 0.3) * height, rng.uniform(0.15, 0.5) * height
    step = rng.uniform(0.05, 0.2) * width
    for x in np.arange(rng.uniform(0, step), width, step):
        x1 = int(x + step * rng.uniform(0.6, 0.9))
        out[int(top) : int(top + tall), int(x) : x1] = rng.uniform(0.85, 1.2)
    return _bytes(cv2.GaussianBlur(out, (0, 0), 1.0) * (0.85 + 0.15 * noise(rng, height, width))[..., None])


def bricks(rng: Random, height: int, width: int) -> Bytes:
    """Blocks, panels or boards."""
    out = np.ones((height, width, 3), np.float32) * colour(rng, (0, 0.5), (0.3, 0.9)).astype(np.float32)
    h, w = max(4, int(rng.uniform(0.03, 0.25) * height)), max(6, int(rng.uniform(0.03, 0.4) * width))
    line = tuple(float(v) for v in colour(rng, (0, 0.3), (0.1, 0.7)))
    for i, y in enumerate(range(0, height, h)):
        cv2.line(out, (0, y), (width, y), line, 1)
        for x in range((i % 2) * w // 2, width, w):
            out[y : y + h, x : x + w] *= rng.uniform(0.9, 1.1)
            cv2.line(out, (x, y), (x, y + h), line, 1)
    return _bytes(out * (0.9 + 0.1 * noise(rng, height, width))[..., None])


def clutter(rng: Random, height: int, width: int) -> Bytes:
    """Random shapes over cloudy colour: poles, boxes, lamps, limbs of furniture."""
    cloud = np.stack([noise(rng, height, width) for _ in range(3)], -1)
    out = np.ascontiguousarray(cloud * colour(rng) + (1 - cloud) * colour(rng), np.float32)
    for _ in range(rng.integers(3, 25)):
        c = tuple(float(v) for v in colour(rng))
        at = (int(rng.random() * width), int(rng.random() * height))
        to = (int(at[0] + rng.normal(0, 0.3) * width), int(at[1] + rng.normal(0, 0.4) * height))
        if rng.random() < 0.5:
            cv2.line(out, at, to, c, int(rng.integers(1, max(2, height // 20))), cv2.LINE_AA)
        else:
            cv2.rectangle(
                out,
                at,
                (at[0] + int(0.1 * width * rng.random()), at[1] + int(0.3 * height * rng.random())),
                c,
                -1,
            )
    return _bytes(cv2.GaussianBlur(out, (0, 0), rng.uniform(0.3, 3)))


def plain(rng: Random, height: int, width: int) -> Bytes:
    """One colour that fades."""
    a, b = colour(rng), colour(rng)
    ramp = np.linspace(0, 1, height)[:, None, None]
    out = a * ramp + b * (1 - ramp) + 0.06 * (noise(rng, height, width)[..., None] - 0.5)
    return _bytes(out + np.zeros((height, width, 3)))


def mixed(rng: Random, height: int, width: int) -> Bytes:
    """Stand above, boards or curtain below."""
    split = int(rng.uniform(0.3, 0.8) * height)
    top = crowd if rng.random() < 0.6 else windows
    low = WALLS[rng.integers(len(WALLS))]
    return np.concatenate([top(rng, split, width), low(rng, height - split, width)])


def floor(rng: Random, height: int, width: int) -> Bytes:
    """Carpet, boards or sprung floor."""
    if rng.random() < 0.3:
        return bricks(rng, height, width)
    base = colour(rng, (0, 0.8), (0.2, 0.8))
    return _bytes((0.9 + 0.1 * noise(rng, height, width, 8))[..., None] * base)


WALLS: Final = (banners, curtain, bricks)
BACKDROPS: Final = (crowd, curtain, banners, windows, bricks, clutter, plain, mixed)


def backdrop(rng: Random, height: int = 256, width: int = 384) -> Bytes:
    """Any of the backgrounds, (h, w, 3) RGB."""
    return BACKDROPS[rng.integers(len(BACKDROPS))](rng, height, width)


# ---------------------------------------------------------------- people

SKIN: Final = (
    np.array(
        [
            [255, 224, 196],
            [241, 194, 164],
            [224, 172, 135],
            [198, 134, 98],
            [160, 104, 72],
            [120, 76, 52],
            [86, 54, 38],
        ]
    )
    / 255.0
)
_HAIR: Final = (
    np.array([[30, 24, 20], [60, 40, 26], [100, 68, 40], [150, 110, 64], [205, 170, 110], [130, 60, 30]])
    / 255.0
)


def _cloth(shape: BodyShape, rng: Random) -> Floats:
    """A pattern over the whole rest body, (V, 3)."""
    first, second = colour(rng, (0, 1), (0.05, 1)), colour(rng, (0, 1), (0.05, 1))
    out = np.tile(first, (len(shape.rest), 1))
    kind = rng.integers(4)
    if kind:  # stripes or blocks, along any direction
        way = rng.normal(size=3) * [1, 0.4, 1]
        phase = shape.rest @ (way / np.linalg.norm(way)) * rng.uniform(3, 40) + rng.uniform(0, 6)
        out[np.sin(phase) > rng.uniform(-0.5, 0.8)] = second
    if rng.random() < 0.4:  # sparkle
        out += rng.normal(0, 0.12, (len(out), 1)) * (rng.random((len(out), 1)) < 0.3)
    return np.clip(out, 0, 1)


def _bare(shape: BodyShape, rng: Random) -> Floats:
    skin = SKIN[rng.integers(len(SKIN))] * rng.uniform(0.9, 1.05)
    out = np.tile(skin, (len(shape.rest), 1)) * (1 + rng.normal(0, 0.015, (len(shape.rest), 1)))
    out[shape.region == REGION["hair"]] = _HAIR[rng.integers(len(_HAIR))] * rng.uniform(0.7, 1.1)
    return np.clip(out, 0, 1)


def leotard(shape: BodyShape, rng: Random) -> Floats:
    """Vertex colours (V, 3) of a gymnast: leotard with or without sleeves, sometimes grips or long legs."""
    out, cloth, region = _bare(shape, rng), _cloth(shape, rng), shape.region
    out[region == REGION["torso"]] = cloth[region == REGION["torso"]]
    if rng.random() < 0.5:
        out[region == REGION["sleeve"]] = cloth[region == REGION["sleeve"]]
    if rng.random() < 0.12:  # unitard or shorts
        out[region == REGION["leg"]] = cloth[region == REGION["leg"]]
    if rng.random() < 0.6:  # chalk and leather on the hands
        chalk = np.array([0.9, 0.88, 0.85]) if rng.random() < 0.6 else np.array([0.6, 0.45, 0.3])
        out[region == REGION["hand"]] = 0.35 * out[region == REGION["hand"]] + 0.65 * chalk
    return out


def tracksuit(shape: BodyShape, rng: Random) -> Floats:
    """Vertex colours (V, 3) of a coach, judge or passer-by."""
    out, region = _bare(shape, rng), shape.region
    top, legs = _cloth(shape, rng), np.tile(colour(rng, (0, 0.7), (0.03, 0.6)), (len(shape.rest), 1))
    for name in ("torso", "sleeve") if rng.random() < 0.7 else ("torso",):
        out[region == REGION[name]] = top[region == REGION[name]]
    out[region == REGION["leg"]] = legs[region == REGION["leg"]]
    pelvis = (region == REGION["torso"]) & (shape.rest[:, 2] < shape.centre[0, 2] + 0.05)
    out[pelvis] = legs[pelvis]
    out[region == REGION["foot"]] = colour(rng, (0, 0.8), (0.05, 1))
    return out

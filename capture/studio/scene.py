"""A scene: all that is needed to film the same seconds again, as a short TOML file.

Ranges are those a hall and its cameras have; every value left out is the usual one.
"""

from __future__ import annotations

import hashlib
import math
from pathlib import Path
from typing import Annotated, Any, Final, Literal

import msgspec
import numpy as np
from msgspec import Meta

from bridge.errors import ConfigError
from capture.rig import presets
from capture.studio.arena import Sizes
from capture.toml_file import decode, read_text

FORMAT: Final = 1
RATES: Final = (25.0, 30.0, 50.0, 59.94, 60.0, 120.0, 240.0)
HEIGHTS: Final = (720, 1080, 1440, 2160)
AT_10_M_PX: Final = 195.0  # picture of one metre at the high rail, 1080 rows, zoom 1


class _Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    pass


class Apparatus(_Part, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[apparatus]``: a preset and what differs from it."""

    preset: str = "senior"
    high_bar_m: Annotated[float, Meta(ge=1.8, le=3.0)] | None = None
    low_bar_m: Annotated[float, Meta(ge=1.0, le=2.2)] | None = None
    inner_diagonal_m: Annotated[float, Meta(ge=1.2, le=2.0)] | None = None
    mat_m: Annotated[float, Meta(ge=0.0, le=0.5)] | None = None


class CameraPlace(_Part, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[camera]``: where it stands and what its lens does."""

    distance_m: Annotated[float, Meta(ge=5, le=20)] = 10.0  # level, from the middle of the high rail
    height_m: Annotated[float, Meta(ge=0.8, le=4)] = 1.6
    off_deg: Annotated[float, Meta(ge=-30, le=30)] = 10.0  # + on the high rail's side
    roll_deg: Annotated[float, Meta(ge=-5, le=5)] = 0.0
    zoom: Annotated[float, Meta(ge=0.4, le=3)] = 1.0  # 1: about 5.5 m of picture height at the rail
    k1: Annotated[float, Meta(ge=-0.35, le=0.2)] = 0.0
    k2: Annotated[float, Meta(ge=-0.1, le=0.1)] = 0.0
    pan_deg_s: Annotated[float, Meta(ge=-5, le=5)] = 0.0
    shake_deg: Annotated[float, Meta(ge=0, le=0.5)] = 0.0


class Picture(_Part, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[picture]``: what the camera gives."""

    height_px: Annotated[int, Meta(ge=90, le=2160, multiple_of=18)] = 1080  # 16:9
    fps: Annotated[float, Meta(ge=10, le=240)] = 60.0
    jitter_share: Annotated[float, Meta(ge=0, le=0.45)] = 0.0
    dropped_share: Annotated[float, Meta(ge=0, le=0.3)] = 0.0
    exposure_s: Annotated[float, Meta(ge=1 / 2000, le=1 / 50)] = 1 / 500
    row_s: Annotated[float, Meta(ge=0, le=4e-5)] = 0.0  # rolling shutter, one row after the other
    noise: Annotated[float, Meta(ge=0, le=20)] = 0.0  # standard deviation, grey levels of 255
    crf: Annotated[int, Meta(ge=0, le=45)] = 21

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.height_px * 16 // 9, self.height_px


class Light(_Part, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[light]``: lamps and sun."""

    gain: Annotated[float, Meta(ge=0.3, le=1.5)] = 1.0
    mains_hz: Literal[50, 60] = 50
    flicker: Annotated[float, Meta(ge=0, le=0.8)] = 0.0  # share of the lamp's light that comes and goes
    glare: Annotated[float, Meta(ge=0, le=1)] = 0.0


class Hall(_Part, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[hall]``: what is round the apparatus."""

    walls: Literal["crowd", "drape", "windows", "training"] = "crowd"
    second_apparatus: bool = False
    dark_leotard: bool = False
    company: tuple[Literal["coach", "coach_crossing", "spotter", "passer_by", "second_gymnast"], ...] = (
        "coach",
        "passer_by",
    )


class Step(_Part, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One of ``[[elements]]``; options as `capture.studio.score.VOCABULARY` has them."""

    name: str
    options: dict[str, float | str | bool] = {}


class Scene(_Part, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A scene file."""

    format: Literal[1] = 1
    seed: Annotated[int, Meta(ge=0)] = 0
    gymnast: Annotated[int, Meta(ge=1)] = 1  # which of the body shapes
    elements: Annotated[tuple[Step, ...], Meta(min_length=1)]
    flights: tuple[int, ...] = ()  # film only the seconds round these, counted from 1; all when empty
    lead_s: Annotated[float, Meta(ge=0, le=10)] = 1.2
    after_s: Annotated[float, Meta(ge=0, le=10)] = 0.8
    apparatus: Apparatus = Apparatus()
    camera: CameraPlace = CameraPlace()
    picture: Picture = Picture()
    light: Light = Light()
    hall: Hall = Hall()

    @property
    def sizes(self) -> Sizes:
        """The apparatus' sizes.

        Raises:
            ConfigError: unknown preset, or a low rail that is not low.
        """
        known = presets()
        if self.apparatus.preset not in known:
            raise ConfigError(
                f"apparatus.preset = {self.apparatus.preset!r} is unknown; use one of {', '.join(known)}"
            )
        names = ("high_bar_m", "low_bar_m", "inner_diagonal_m", "rail_length_m", "rail_diameter_m", "mat_m")
        sizes = {n: getattr(known[self.apparatus.preset], n) for n in names}
        sizes |= {n: v for n in names if (v := getattr(self.apparatus, n, None)) is not None}
        if not 0.3 <= sizes["high_bar_m"] - sizes["low_bar_m"] < sizes["inner_diagonal_m"]:
            raise ConfigError(
                "apparatus.low_bar_m: must be at least 0.3 m below the high bar, and the diagonal longer"
                " than that; check the three sizes"
            )
        return Sizes(**sizes)

    @property
    def focal_px(self) -> float:
        """Focal length: the same picture of the rails from every distance, at zoom 1."""
        c = self.camera
        return AT_10_M_PX * self.picture.height_px / 1080 * c.distance_m * c.zoom

    def digest(self) -> str:
        """A name for these pictures."""
        return hashlib.sha256(msgspec.json.encode(self, order="deterministic")).hexdigest()[:16]


def parse(text: str, source: str = "scene") -> Scene:
    """Read the text of a scene file.

    Raises:
        ConfigError: one line with the file, the key and what is wrong.
    """
    scene = decode(text, Scene, source, "compare with the scenes in capture/studio/scenes")
    try:
        _ = scene.sizes
        _check_elements(scene)
    except ConfigError as error:
        raise ConfigError(f"{source}: {error}") from error
    return scene


def load(path: Path) -> Scene:
    """Read a scene file; raises ConfigError as `parse` does."""
    return parse(read_text(path, "a scene file"), str(path))


def _check_elements(scene: Scene) -> None:
    from capture.studio.score import VOCABULARY

    for number, step in enumerate(scene.elements, 1):
        if step.name not in VOCABULARY:
            raise ConfigError(
                f"elements[{number}].name = {step.name!r} is unknown; use one of {', '.join(VOCABULARY)}"
            )
        unknown = set(step.options) - set(VOCABULARY[step.name].options)
        if unknown:
            raise ConfigError(
                f"elements[{number}].options.{min(unknown)} is unknown for {step.name};"
                f" use {', '.join(VOCABULARY[step.name].options)}"
            )
    for number in scene.flights:
        if number < 1:
            raise ConfigError(f"flights: {number} is no flight; count from 1")


def write(scene: Scene, path: Path) -> None:
    """Write a scene made by chance as JSON, to lie beside its film."""
    path.write_bytes(msgspec.json.format(msgspec.json.encode(scene), indent=1))


def chance_scene(rng: np.random.Generator, steps: tuple[Step, ...], gymnasts: int, side_on: bool) -> Scene:
    """Camera, light, hall and gymnast by chance over the ranges a meet has; ranges are ours."""

    def some(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 4)

    def maybe(share: float, value: Any, otherwise: Any) -> Any:
        return value if rng.random() < share else otherwise

    sign = 1 if rng.random() < 0.5 else -1
    shares = {
        "coach": 0.5,
        "passer_by": 0.5,
        "coach_crossing": 0.1,
        "spotter": 0.15,
        "second_gymnast": 0.1,
    }
    company = [name for name, share in shares.items() if rng.random() < share]
    return Scene(
        seed=int(rng.integers(1 << 30)),
        gymnast=1 + int(rng.integers(gymnasts)),
        elements=steps,
        camera=CameraPlace(
            distance_m=some(8, 15) if side_on else some(5, 20),
            height_m=some(1.5, 2.5) if side_on else some(0.8, 4),
            off_deg=sign * (some(0, 3) if side_on else some(3, 25)),
            roll_deg=some(-1.5, 1.5),
            zoom=some(0.85, 1.1),
        ),
        picture=Picture(
            height_px=int(rng.choice([720, 1080], p=[0.2, 0.8])),
            fps=float(rng.choice([25, 30, 50, 59.94, 60, 120], p=[0.06, 0.06, 0.12, 0.12, 0.58, 0.06])),
            jitter_share=maybe(0.1, 0.2, 0.0),
            dropped_share=maybe(0.1, 0.03, 0.0),
            exposure_s=round(math.exp(rng.uniform(math.log(1 / 2000), math.log(1 / 120))), 6),
            row_s=maybe(0.5, 1.2e-5, 0.0),
            noise=some(0, 6),
            crf=int(rng.integers(18, 28)),
        ),
        light=Light(
            gain=some(0.7, 1.1),
            mains_hz=maybe(0.5, 50, 60),
            flicker=maybe(0.3, some(0.05, 0.3), 0.0),
            glare=maybe(0.1, some(0.2, 0.7), 0.0),
        ),
        hall=Hall(
            walls=str(rng.choice(["crowd", "drape", "windows", "training"], p=[0.5, 0.15, 0.15, 0.2])),  # type: ignore[arg-type]
            second_apparatus=maybe(0.25, True, False),
            dark_leotard=maybe(0.2, True, False),
            company=tuple(company),  # type: ignore[arg-type]
        ),
    )

"""Draws people and an arena through a pinhole camera, off screen, with OpenGL on EGL.

Picture coordinates are those of the whole project: pixel centres at integers, x right, y down,
so a point that projects to (u, v) = (0, 0) falls on the middle of the first pixel. Cameras follow
OpenCV: ``x_camera = R x_world + t``, z forwards.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from bridge.errors import SystemLibraryError
from capture.studio.body import PARTS, BodyShape

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]
Method = TypeVar("Method", bound=Callable[..., Any])

NEAR_M: Final = 0.3
FAR_M: Final = 150.0
MAX_SHADOWS: Final = 8

_LIGHT = """
uniform vec3 sun; uniform vec3 sun_colour; uniform vec3 sky; uniform vec3 ground; uniform float gain;
vec3 lit(vec3 colour, vec3 n) {
    float up = 0.5 + 0.5 * n.z;
    return gain * colour * (mix(ground, sky, up) + sun_colour * max(dot(n, sun), 0.0));
}
"""
_BODY_VERTEX = f"""
#version 330
// Two poses: when the window's first row is exposed and when its last is. The same for a global shutter.
uniform mat4 clip; uniform vec4 part[{3 * len(PARTS)}]; uniform vec4 later[{3 * len(PARTS)}];
uniform float closed; uniform bool rolling;
in vec3 rest; in vec3 grip; in vec3 normal; in vec4 parts; in vec4 weights; in vec3 colour;
out vec3 n; out vec3 c;
void main() {{
    vec4 a = vec4(0), b = vec4(0), d = vec4(0), e = vec4(0), f = vec4(0), g = vec4(0);
    for (int k = 0; k < 4; ++k) {{
        int i = 3 * int(parts[k] + 0.5);
        a += weights[k] * part[i]; b += weights[k] * part[i + 1]; d += weights[k] * part[i + 2];
        if (rolling) {{
            e += weights[k] * later[i]; f += weights[k] * later[i + 1]; g += weights[k] * later[i + 2];
        }}
    }}
    vec4 p = vec4(rest + closed * grip, 1);
    gl_Position = clip * vec4(dot(a, p), dot(b, p), dot(d, p), 1);
    if (rolling) {{
        vec4 last = clip * vec4(dot(e, p), dot(f, p), dot(g, p), 1);
        // The row it is in at share s of the readout is s itself: rows run down from -1 to 1.
        float at = 0.5 + 0.5 * gl_Position.y / gl_Position.w, to = 0.5 + 0.5 * last.y / last.w;
        gl_Position = mix(gl_Position, last, clamp(at / max(1.0 - (to - at), 0.1), 0.0, 1.0));
    }}
    n = vec3(dot(a.xyz, normal), dot(b.xyz, normal), dot(d.xyz, normal)); c = colour;
}}
"""
_BODY_FRAGMENT = f"""
#version 330
{_LIGHT}
in vec3 n; in vec3 c; out vec4 shade;
void main() {{ shade = vec4(lit(c, normalize(n)), 1); }}
"""
_MESH_VERTEX = """
#version 330
uniform mat4 clip;
in vec3 place; in vec3 normal; in vec2 uv; in vec3 colour;
out vec3 n; out vec3 c; out vec3 p; out vec2 t;
void main() { gl_Position = clip * vec4(place, 1); n = normal; c = colour; p = place; t = uv; }
"""
_MESH_FRAGMENT = f"""
#version 330
{_LIGHT}
uniform sampler2D picture; uniform vec3 eye; uniform int shadows; uniform vec4 shadow[{MAX_SHADOWS}];
in vec3 n; in vec3 c; in vec3 p; in vec2 t; out vec4 shade;
void main() {{
    // Walls are seen from inside only, so a camera may stand behind one.
    if (dot(n, eye - p) < 0.0) discard;
    float light = 1.0;
    // Soft round shadows under people: (x, y, radius, darkness).
    if (n.z > 0.9) for (int k = 0; k < shadows; ++k) {{
        vec2 d = (p.xy - shadow[k].xy) / shadow[k].z;
        light *= 1.0 - shadow[k].w * exp(-dot(d, d));
    }}
    shade = vec4(light * lit(c * texture(picture, t).rgb, n), 1);
}}
"""
_BACK_VERTEX = """
#version 330
uniform vec4 span; out vec2 t;
void main() {
    vec2 q = vec2((gl_VertexID & 1) * 2, (gl_VertexID & 2));
    t = span.xy + q * span.zw; gl_Position = vec4(2 * q - 1, 0.9999, 1);
}
"""
_BACK_FRAGMENT = """
#version 330
uniform sampler2D picture; in vec2 t; out vec4 shade;
void main() { shade = vec4(texture(picture, t).rgb, 1); }
"""


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole camera; ``x_camera = rotation @ x_world + shift_m``."""

    matrix: Floats  # (3, 3) px
    rotation: Floats  # (3, 3)
    shift_m: Floats  # (3,)
    size: tuple[int, int]  # width, height, px

    @staticmethod
    def looking(
        place_m: Floats, target_m: Floats, focal_px: float, size: tuple[int, int], roll_rad: float = 0.0
    ) -> Camera:
        """A camera at ``place_m`` with ``target_m`` in the middle of its picture, level but for the roll."""
        forward = np.asarray(target_m, float) - place_m
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        rotation = np.stack([right, np.cross(forward, right), forward])
        c, s = np.cos(roll_rad), np.sin(roll_rad)
        rotation = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ rotation
        matrix = np.array([[focal_px, 0, (size[0] - 1) / 2], [0, focal_px, (size[1] - 1) / 2], [0, 0, 1.0]])
        return Camera(matrix, rotation, -rotation @ np.asarray(place_m, float), size)

    @property
    def place_m(self) -> Floats:
        """Where the camera stands, (3,) m."""
        return np.asarray(-self.rotation.T @ self.shift_m)

    def project(self, points_m: Floats) -> Floats:
        """Picture coordinates (..., 2) of world points (..., 3); NaN behind the camera."""
        seen = points_m @ self.rotation.T + self.shift_m
        with np.errstate(divide="ignore", invalid="ignore"):
            px = (seen @ self.matrix.T)[..., :2] / seen[..., 2:]
        return np.where(seen[..., 2:] > 0, px, np.nan)

    def depth(self, points_m: Floats) -> Floats:
        """Distance (...) of world points (..., 3) along the optical axis, m."""
        return np.asarray((points_m @ self.rotation.T + self.shift_m)[..., 2])

    def window(self, x: int, y: int, width: int, height: int) -> Camera:
        """The camera that sees only a rectangle of this one's picture."""
        return Camera(
            self.matrix - np.array([[0, 0, x], [0, 0, y], [0, 0, 0]]),
            self.rotation,
            self.shift_m,
            (width, height),
        )

    def clip(self) -> Floats:
        """World to OpenGL clip space, first picture row at the bottom, (4, 4)."""
        w, h = self.size
        k = self.matrix
        # (u + 1/2) / w runs from 0 to 1 across the picture when pixel centres are integers.
        to_clip = np.array(
            [
                [2 * k[0, 0] / w, 2 * k[0, 1] / w, 2 * (k[0, 2] + 0.5) / w - 1, 0],
                [0, 2 * k[1, 1] / h, 2 * (k[1, 2] + 0.5) / h - 1, 0],
                [0, 0, (FAR_M + NEAR_M) / (FAR_M - NEAR_M), -2 * FAR_M * NEAR_M / (FAR_M - NEAR_M)],
                [0, 0, 1, 0],
            ]
        )
        pose = np.eye(4)
        pose[:3, :3], pose[:3, 3] = self.rotation, self.shift_m
        return np.asarray(to_clip @ pose)


@dataclass(frozen=True, slots=True)
class Light:
    """One distant lamp and a bright ceiling over a dim floor; colours as factors."""

    sun: tuple[float, float, float] = (0.35, -0.45, 0.82)  # towards the lamp
    sun_colour: tuple[float, float, float] = (0.5, 0.49, 0.46)
    sky: tuple[float, float, float] = (0.62, 0.63, 0.66)
    ground: tuple[float, float, float] = (0.30, 0.29, 0.28)
    gain: float = 1.0


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles that never move, with one picture on them; N corners in threes."""

    place: Floats  # (N, 3) m
    normal: Floats  # (N, 3)
    uv: Floats  # (N, 2)
    colour: Floats  # (N, 3) 0 to 1
    picture: Bytes | None = None  # (h, w, 3) RGB


@dataclass(slots=True, eq=False)
class Dressed:
    """A person's mesh on the graphics device."""

    shape: BodyShape
    vertices: Any
    buffers: list[Any] = field(default_factory=list)

    def release(self) -> None:
        """Free the device memory."""
        self.vertices.ctx.__enter__()
        self.vertices.release()
        for buffer in self.buffers:
            buffer.release()


@dataclass(slots=True, eq=False)
class Placed:
    """A mesh of the arena on the graphics device."""

    vertices: Any
    buffer: Any
    texture: Any

    def release(self) -> None:
        """Free the device memory."""
        self.vertices.ctx.__enter__()
        self.vertices.release()
        self.buffer.release()
        if self.texture is not None:
            self.texture.release()


def _in_context(method: Method) -> Method:
    """Let a method of a renderer work in its own context, whichever was current."""

    @functools.wraps(method)
    def inside(self: Any, *args: Any, **kwargs: Any) -> Any:
        self.ctx.__enter__()  # makes it current; whoever comes next does the same, so nothing is put back
        return method(self, *args, **kwargs)

    return cast(Method, inside)


@dataclass(frozen=True, slots=True)
class Posed:
    """A person as posed at one instant."""

    who: Dressed
    transforms: Floats  # (P, 3, 4)
    grip: float = 0.0  # 0 open hands, 1 closed round a rail
    later: Floats | None = None  # (P, 3, 4) when the picture's last row is exposed, under a rolling shutter


class Renderer:
    """One off-screen OpenGL context. Use from one thread; one a process is best.

    Raises SystemLibraryError when the machine has no EGL.
    """

    def __init__(self, samples: int = 4) -> None:
        import moderngl

        try:
            gl: Any = moderngl  # its own annotations are too narrow for a backend's name
            self.ctx: Any = gl.create_context(standalone=True, backend="egl")
        except Exception as fault:
            raise SystemLibraryError(
                f"no off-screen OpenGL (EGL): install Mesa's or the card's EGL library ({fault})"
            ) from None
        self.ctx.__enter__()
        self.device = str(self.ctx.info["GL_RENDERER"])
        self.hardware = "llvmpipe" not in self.device and "softpipe" not in self.device
        self.samples = min(samples, self.ctx.max_samples)
        self._body: Any = self.ctx.program(vertex_shader=_BODY_VERTEX, fragment_shader=_BODY_FRAGMENT)
        self._mesh: Any = self.ctx.program(vertex_shader=_MESH_VERTEX, fragment_shader=_MESH_FRAGMENT)
        self._back: Any = self.ctx.program(vertex_shader=_BACK_VERTEX, fragment_shader=_BACK_FRAGMENT)
        self._screen = self.ctx.vertex_array(self._back, [])
        self._white = self.ctx.texture((1, 1), 3, b"\xff\xff\xff", alignment=1)
        self._targets: dict[tuple[int, int], tuple[Any, Any]] = {}

    @_in_context
    def dress(self, shape: BodyShape, colour: Floats) -> Dressed:
        """Load a person; ``colour`` (V, 3) 0 to 1."""
        packed = np.concatenate(
            [shape.rest, shape.grip, shape.normal, shape.parts, shape.weights, colour], axis=1
        ).astype("f4")
        data, index = self.ctx.buffer(packed.tobytes()), self.ctx.buffer(shape.faces.astype("u4").tobytes())
        layout = (data, "3f 3f 3f 4f 4f 3f", "rest", "grip", "normal", "parts", "weights", "colour")
        return Dressed(shape, self.ctx.vertex_array(self._body, [layout], index), [data, index])

    @_in_context
    def place(self, mesh: Mesh) -> Placed:
        """Load a mesh of the arena."""
        packed = np.concatenate([mesh.place, mesh.normal, mesh.uv, mesh.colour], axis=1).astype("f4")
        data = self.ctx.buffer(packed.tobytes())
        layout = (data, "3f 3f 2f 3f", "place", "normal", "uv", "colour")
        texture = None if mesh.picture is None else self.texture(mesh.picture)
        return Placed(self.ctx.vertex_array(self._mesh, [layout]), data, texture)

    @_in_context
    def texture(self, picture: Bytes) -> Any:
        """Load a picture (h, w, 3) RGB, with smaller copies for the distance."""
        height, width = picture.shape[:2]
        texture = self.ctx.texture((width, height), 3, np.ascontiguousarray(picture).tobytes(), alignment=1)
        texture.build_mipmaps()
        if self.hardware:  # too dear in software
            texture.anisotropy = 4.0
        return texture

    def _target(self, size: tuple[int, int]) -> tuple[Any, Any]:
        if size not in self._targets:
            if len(self._targets) >= 24:  # windows of film come in few sizes; keep memory bounded
                for pair in self._targets.values():
                    for target in pair:
                        target.release()
                self._targets.clear()
            many = self.ctx.framebuffer(
                [self.ctx.renderbuffer(size, 3, samples=self.samples)],
                self.ctx.depth_renderbuffer(size, samples=self.samples),
            )
            one = self.ctx.framebuffer([self.ctx.renderbuffer(size, 3)], self.ctx.depth_texture(size))
            self._targets[size] = (many, one)
        return self._targets[size]

    @_in_context
    def draw(
        self,
        camera: Camera,
        people: Sequence[Posed],
        arena: Sequence[Placed] = (),
        light: Light | None = None,
        backdrop: Any = None,
        span: tuple[float, float, float, float] = (0, 0, 1, 1),
        clear: tuple[float, float, float] = (0, 0, 0),
        shadows: Floats | None = None,
    ) -> Bytes:
        """One sharp picture, (h, w, 3) RGB.

        arena: far meshes before near ones.
        backdrop: texture that fills what nothing covers; ``span`` is the part of it shown (x, y, w, h).
        shadows: (n, 4) x, y, radius (m) and darkness of soft shadows on level ground.
        """
        ctx, light = self.ctx, light or Light()
        many, one = self._target(camera.size)
        many.use()
        many.clear(*clear, depth=1.0)
        if backdrop is not None:
            ctx.disable(ctx.DEPTH_TEST)
            backdrop.use(0)
            self._back["span"] = span
            self._screen.render(ctx.TRIANGLE_STRIP, vertices=4)
        ctx.enable(ctx.DEPTH_TEST)
        clip = camera.clip().T.astype("f4").tobytes()
        sun = np.asarray(light.sun) / np.linalg.norm(light.sun)
        for program in (self._body, self._mesh):
            program["clip"].write(clip)
            program["sun"] = tuple(sun)
            for name in ("sun_colour", "sky", "ground", "gain"):
                program[name] = getattr(light, name)
        # Near things first, so that what they hide costs nothing.
        for person in people:
            self._body["part"].write(np.ascontiguousarray(person.transforms, "f4").tobytes())
            self._body["rolling"] = person.later is not None
            if person.later is not None:
                self._body["later"].write(np.ascontiguousarray(person.later, "f4").tobytes())
            self._body["closed"] = person.grip
            person.who.vertices.render()
        if arena:
            blobs = np.zeros((MAX_SHADOWS, 4), "f4")
            count = 0 if shadows is None else min(len(shadows), MAX_SHADOWS)
            if shadows is not None:
                blobs[:count] = shadows[:count]
            self._mesh["shadows"] = count
            self._mesh["eye"] = tuple(camera.place_m)
            self._mesh["shadow"].write(blobs.tobytes())
            for mesh in reversed(arena):
                (mesh.texture or self._white).use(0)
                mesh.vertices.render()
        ctx.copy_framebuffer(one, many)
        raw = one.read(components=3, alignment=1)
        return np.frombuffer(raw, np.uint8).reshape(camera.size[1], camera.size[0], 3)

    @_in_context
    def depths(self, camera: Camera) -> Floats:
        """Distance along the optical axis, (h, w) m, of what the last `draw` with this camera shows."""
        _, one = self._target(camera.size)
        raw = np.frombuffer(one.depth_attachment.read(alignment=1), np.float32)
        ndc = 2.0 * raw.reshape(camera.size[1], camera.size[0]).astype(np.float64) - 1
        return np.asarray(2 * FAR_M * NEAR_M / (FAR_M + NEAR_M - ndc * (FAR_M - NEAR_M)))

    def release(self) -> None:
        """Give the context back."""
        self.ctx.release()


def blend(pictures: Sequence[Bytes]) -> Bytes:
    """One exposure from its sub-frames: their mean in (roughly) linear light."""
    if len(pictures) == 1:
        return pictures[0]
    total = np.zeros(pictures[0].shape, np.float32)
    for picture in pictures:
        total += np.square(picture, dtype=np.float32)
    return np.asarray(np.sqrt(total / len(pictures)) + 0.5, np.uint8)

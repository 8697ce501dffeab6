"""The net as the camera sees it, drawn with OpenGL and no screen: the fixed scene once, the people frame by frame.

NoDrawing is raised where the machine has no EGL.
"""
from __future__ import annotations

from typing import Sequence

import cv2
import moderngl
import numpy as np

from tests.footage import scenery, shaders
from tests.footage.bowler import Mesh
from tests.footage.camera import Camera
from tests.footage.kit import normals
from tests.footage.rotations import unit

SAMPLES = 4
TILE_PX = 128                                  # drawing areas are rounded up to this, so that few are made
AROUND_PX = 14
LIGHT = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)      # grey level -> linear light


class NoDrawing(RuntimeError):
    """This machine cannot draw off screen; the text says why."""


def context() -> moderngl.Context:
    try:
        return moderngl.create_context(standalone=True, backend="egl")
    except Exception as e:                     # glcontext raises bare Exception and ImportError alike
        raise NoDrawing(f"asked an EGL context, found: {e}; install libegl1 and libgl1-mesa-dri") from e


class Net:
    def __init__(self, camera: Camera, seed: int = 1, near_net: bool = False, stumps: bool = True) -> None:
        self.camera, self.ctx = camera, context()
        self._people, self._ground, self._shade = (self.ctx.program(*s) for s in shaders.PAIRS)
        self._sun = unit(np.array([-.35, -.55 * camera.away, 1.0]))
        self._areas: dict[tuple[int, int], tuple[moderngl.Framebuffer, moderngl.Framebuffer]] = {}
        self._figure: tuple | None = None
        near_y = camera.away * max(camera.away * camera.C[1] + .6, -1.9) if near_net else None
        quads = [(q, self._textured(q)) for q in scenery.quads(np.random.default_rng(seed), camera.away, near_y)]
        self._posts = self._buffered(scenery.posts(camera.away))
        self._stumps = self._buffered(scenery.stumps()) if stumps else None
        self.empty, self._near = self._background(quads)

    @property
    def renderer(self) -> str:
        return self.ctx.info["GL_RENDERER"]

    def close(self) -> None:
        self.ctx.release()

    def frame(self, meshes: Sequence[Mesh], behind: np.ndarray | None = None, through_net: bool = True) -> np.ndarray:
        """RGB (H, W, 3). meshes: one a subframe, averaged in linear light. behind: a picture with someone farther away
        in it. through_net: draw the near net (once only) over it all."""
        image = (self.empty if behind is None else behind).copy()
        x0, y0, x1, y1 = box = self._box(meshes)
        if x1 - x0 > 1 and y1 - y0 > 1:
            exposed = self._exposed(meshes, image[y0:y1, x0:x1].astype(np.float32), box)
            image[y0:y1, x0:x1] = np.clip(exposed + .5, 0, 255)
        return self.netted(image) if through_net else image

    def netted(self, image: np.ndarray) -> np.ndarray:
        """The picture with the near net over it, if there is one."""
        if self._near is None:
            return image
        return np.clip(_over(self._near, image), 0, 255).astype(np.uint8)

    def _exposed(self, meshes: Sequence[Mesh], behind: np.ndarray, box: tuple) -> np.ndarray:
        drawn = [_over(self._person(m, box), behind) for m in meshes]
        if len(drawn) == 1:
            return drawn[0]
        return 255.0 * np.mean([LIGHT[np.clip(d, 0, 255).astype(np.uint8)] for d in drawn], axis=0) ** (1 / 2.2)

    def _person(self, m: Mesh, box: tuple[int, int, int, int]) -> np.ndarray:
        """Premultiplied RGBA of the figure, its shadow and the stumps in front of it, inside the box."""
        x0, y0, x1, y1 = box
        w, h = x1 - x0, y1 - y0
        sampled, plain = self._area(-(-w // TILE_PX) * TILE_PX, -(-h // TILE_PX) * TILE_PX)
        if self._figure is None or self._figure[3] != len(m.V):
            self._figure = self._buffered(m)
        else:
            self._figure[2].write(_packed(m))
        sampled.use()
        self._look((-x0, y1 - self.camera.H, self.camera.W, self.camera.H))
        self.ctx.clear(0, 0, 0, 0)
        self._figure[1].render()
        self._draw_stumps()
        self._figure[0].render()
        self.ctx.copy_framebuffer(plain, sampled)
        return _read(plain, 4)[-h:, :w]

    def _background(self, quads: list) -> tuple[np.ndarray, np.ndarray | None]:
        """The empty net, and the near net as premultiplied RGBA, a little out of focus."""
        ctx, size = self.ctx, (self.camera.W, self.camera.H)
        sampled, plain = self._framebuffers(size)
        sampled.use()
        self._look((0, 0, *size))
        ctx.clear(.62, .70, .80, 1.0)
        self._draw(q for q in quads if not q[0].see_through)
        self._posts[0].render()                # before the net, which would hide them even where it is see-through
        self._draw_stumps()
        ctx.enable(moderngl.BLEND)
        ctx.blend_func = moderngl.SRC_ALPHA, moderngl.ONE_MINUS_SRC_ALPHA
        self._draw(q for q in quads if q[0].see_through and not q[0].near)
        ctx.disable(moderngl.BLEND)
        ctx.copy_framebuffer(plain, sampled)
        empty = _read(plain, 3).copy()
        near = [q for q in quads if q[0].near]
        if not near:
            return empty, None
        sampled.use()
        ctx.clear(0, 0, 0, 0)
        self._draw(near)
        ctx.copy_framebuffer(plain, sampled)
        veil = cv2.GaussianBlur(_read(plain, 4).astype(np.float32), (0, 0), 1.2)
        veil[..., :3] *= veil[..., 3:] / 255.0
        return empty, veil

    def _draw(self, quads) -> None:
        for _, (array, texture) in quads:
            texture.use(0)
            array.render()

    def _draw_stumps(self) -> None:
        if self._stumps is not None:
            self._stumps[0].render()

    def _look(self, viewport: tuple[int, int, int, int]) -> None:
        matrix = self.camera.gl().T.astype("f4").tobytes()
        for program in (self._people, self._ground, self._shade):
            program["M"].write(matrix)
        self._people["eye"].value = tuple(self.camera.C)
        self._people["sun"].value = self._shade["sun"].value = tuple(self._sun)
        self.ctx.viewport = tuple(int(v) for v in viewport)
        self.ctx.enable(moderngl.DEPTH_TEST)
        self.ctx.disable(moderngl.BLEND | moderngl.CULL_FACE)

    def _box(self, meshes: Sequence[Mesh]) -> tuple[int, int, int, int]:
        """The pixels that the figure and its shadow may touch: x0, y0, x1, y1."""
        few = np.concatenate([m.V[::7] for m in meshes])
        shadow = few - self._sun * (few[:, 2:] / self._sun[2])
        uv = self.camera.project(np.concatenate([few, shadow]))
        size = [self.camera.W, self.camera.H]
        x0, y0 = np.clip(np.floor(uv.min(0)) - AROUND_PX, 0, size).astype(int)
        x1, y1 = np.clip(np.ceil(uv.max(0)) + AROUND_PX, 0, size).astype(int)
        return int(x0), int(y0), int(x1), int(y1)

    def _textured(self, q: scenery.Quad) -> tuple[moderngl.VertexArray, moderngl.Texture]:
        image = np.ascontiguousarray(q.image)
        texture = self.ctx.texture(image.shape[1::-1], image.shape[2], image.tobytes())
        texture.build_mipmaps()
        texture.filter = (moderngl.LINEAR_MIPMAP_LINEAR, moderngl.LINEAR)
        texture.anisotropy = 8.0
        corners = np.concatenate([q.corners, q.uv], 1)[[0, 1, 2, 0, 2, 3]].astype("f4")
        buffer = self.ctx.buffer(corners.tobytes())
        return self.ctx.vertex_array(self._ground, [(buffer, "3f 2f", "p", "t")]), texture

    def _buffered(self, m: Mesh) -> tuple[moderngl.VertexArray, moderngl.VertexArray, moderngl.Buffer, int]:
        """Figure, its shadow, the buffer behind both, and how many vertices it holds."""
        buffer, index = self.ctx.buffer(_packed(m), dynamic=True), self.ctx.buffer(m.F.astype("i4").tobytes())
        figure = self.ctx.vertex_array(self._people, [(buffer, "3f 3f 3f", "p", "n", "c")], index)
        shadow = self.ctx.vertex_array(self._shade, [(buffer, "3f 24x", "p")], index)
        return figure, shadow, buffer, len(m.V)

    def _area(self, w: int, h: int) -> tuple[moderngl.Framebuffer, moderngl.Framebuffer]:
        if (w, h) not in self._areas:
            self._areas[w, h] = self._framebuffers((w, h))
        return self._areas[w, h]

    def _framebuffers(self, size: tuple[int, int]) -> tuple[moderngl.Framebuffer, moderngl.Framebuffer]:
        """One with several samples a pixel to draw on, one without to read from."""
        ctx = self.ctx
        sampled = ctx.framebuffer(ctx.renderbuffer(size, 4, samples=SAMPLES),
                                  ctx.depth_renderbuffer(size, samples=SAMPLES))
        return sampled, ctx.framebuffer(ctx.renderbuffer(size, 4))


def _packed(m: Mesh) -> bytes:
    return np.concatenate([m.V, normals(m.V, m.F), m.C], 1).astype("f4").tobytes()


def _read(fb: moderngl.Framebuffer, channels: int) -> np.ndarray:
    """Top row first."""
    w, h = fb.size
    return np.frombuffer(fb.read(components=channels, alignment=1), np.uint8).reshape(h, w, channels)[::-1]


def _over(veil: np.ndarray, behind: np.ndarray) -> np.ndarray:
    """Premultiplied RGBA over RGB, 0..255."""
    return veil[..., :3] + behind * ((255.0 - veil[..., 3:]) / 255.0)

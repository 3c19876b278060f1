"""The view from the sun: which parts of people lie in the shadow of others (shadow map; Williams, Casting Curved
Shadows on Curved Surfaces, 1978)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.training.film.look import Look

SIZE_PX = 768
DEPTH_YD = 280.0  # more than any two people are apart
BIAS_YD = 0.13  # about a limb's thickness: cloth does not shade itself

Vector = tuple[float, float, float]


@dataclass(frozen=True)
class SunView:
    """A parallel view along the sun: center, the picture's right and up over its half width and half height."""

    center: Vector
    right: Vector
    up: Vector


def casts(look: Look) -> bool:
    """True for training looks with a sun whose shadow is seen. Test looks stay as they are."""
    return look.split == "train" and look.light.kind == "sun" and look.light.direct > 0.3


def sun_view(sun: Vector, vertices: NDArray[np.float32]) -> SunView:
    """The smallest view along the sun that holds all vertices (V, 3)."""
    s = np.asarray(sun, np.float32)
    u = np.array([-s[1], s[0], 0.0], np.float32)
    u /= max(float(np.linalg.norm(u)), 1e-6)
    v = np.cross(s, u)
    a = vertices @ np.stack([u, v], 1)
    lo, hi = a.min(0) - 0.1, a.max(0) + 0.1
    mid, half = (lo + hi) / 2, np.maximum((hi - lo) / 2, 0.5)
    c = u * mid[0] + v * mid[1] + s * float((vertices @ s).mean())
    as3 = lambda x: (float(x[0]), float(x[1]), float(x[2]))  # noqa: E731
    return SunView(as3(c), as3(u / half[0]), as3(v / half[1]))


DEPTH_VS = """#version 330
uniform vec3 sun, sun_c, sun_r, sun_u;
in vec3 pos;
void main() {
    vec3 d = pos - sun_c;
    gl_Position = vec4(dot(sun_r, d), dot(sun_u, d), -dot(sun, d) / HALF, 1.0);
}
""".replace("HALF", f"{DEPTH_YD / 2:.1f}")

DEPTH_FS = """#version 330
void main() {}
"""

SHADED = """
uniform sampler2D sun_map;
uniform vec3 sun_c, sun_r, sun_u;
uniform int sun_cast;
float behind_others(vec3 p) {
    if (sun_cast == 0) return 0.0;
    vec3 d = p - sun_c;
    vec2 q = 0.5 + 0.5 * vec2(dot(sun_r, d), dot(sun_u, d));
    if (q.x < 0.0 || q.y < 0.0 || q.x > 1.0 || q.y > 1.0) return 0.0;
    float z = 0.5 - 0.5 * dot(sun, d) / HALF - BIAS;
    float s = 0.0;
    for (int i = 0; i < 4; i++)
        s += 0.25 * step(texture(sun_map, q + (vec2(i & 1, i >> 1) - 0.5) * TEXEL).r, z);
    return s;
}
""".replace("HALF", f"{DEPTH_YD / 2:.1f}").replace("BIAS", f"{BIAS_YD / DEPTH_YD:.7f}")
SHADED = SHADED.replace("TEXEL", f"{1.0 / SIZE_PX:.7f}")

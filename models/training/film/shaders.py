"""GLSL of the film renderer (version 330). Rows of every target run from the top of the picture down.

The lens (pinhole and k1, as pipeline.camera) is in the vertex stage for triangles and inverted per pixel for
the ground, so nothing is resampled and the truth is exact.
"""

from models.training.film import sunlight

COMMON = """#version 330
uniform vec3 cam, ax_r, ax_d, ax_f;
uniform float focal, k1;
uniform vec2 size, crown;
float ground_z(float y) {
    float u = (y - crown.y * 0.5) / (crown.y * 0.5);
    return crown.x * (0.35 - min(u * u, 1.4));
}
vec2 to_ndc(vec3 c) {
    vec2 u = c.xy / c.z * focal;
    float r2 = min(dot(u, u) / (0.25 * size.x * size.x), 6.0);
    return u * (1.0 + k1 * r2) * 2.0 / size;
}
vec4 project(vec3 p) {
    vec3 d = p - cam;
    vec3 c = vec3(dot(ax_r, d), dot(ax_d, d), dot(ax_f, d));
    float z = max(c.z, 0.5);
    return vec4(to_ndc(vec3(c.xy, z)) * z, c.z < 0.5 ? -2.0 * z : z - 2.0, z);
}
"""

LIGHT = """
uniform sampler2D light_map;   // (x, y) of the field with 30 yd around
uniform vec4 field;            // length, width, end zone, -
uniform vec3 sun;
uniform vec3 lamps[3];
uniform int night;
uniform float direct, shade, exposure;
uniform vec3 tint;
uniform vec4 edges[2];
uniform int edge_count;
float lit(vec2 p) {
    return texture(light_map, (p + 30.0) / (field.xy + 60.0)).r * 2.0;
}
float stadium(vec2 p) {
    float s = 0.0;
    for (int i = 0; i < edge_count; i++)
        s = max(s, smoothstep(-edges[i].w, edges[i].w, dot(edges[i].xy, p) - edges[i].z));
    return s * shade;
}
vec3 to_linear(vec3 c) { return mix(c / 12.92, pow((c + 0.055) / 1.055, vec3(2.4)), step(0.04045, c)); }
vec3 film(vec3 c) {
    c *= exposure * tint;
    c = mix(c, 0.78 + 0.22 * (1.0 - exp(-(c - 0.78) / 0.22)), step(0.78, c));
    return mix(c * 12.92, 1.055 * pow(max(c, 1e-5), vec3(1.0 / 2.4)) - 0.055, step(0.0031308, c));
}
"""

FULL_VS = """#version 330
in vec2 corner;
void main() { gl_Position = vec4(corner, 0.0, 1.0); }
"""

GROUND_FS = (
    COMMON
    + LIGHT
    + """
uniform sampler2D noise, decals, shadows, layer, layer2, ids;
uniform int smooth_shadows;  // the shadows' half-size picture read four times: no steps at their edges
uniform int moving;            // people drawn twice, at the ends of the open shutter
uniform vec3 turf, outside, track, paint, ez_colour[2], stripe_colour, sky_top, sky_low;
uniform vec4 mow;              // step, period x, period y, grain
uniform vec4 ground;           // patches, mud, snow, wet
uniform vec4 lines;            // line width, goal line width, border, gap
uniform vec4 hashes;           // row y, tick, width, every
uniform vec4 sides;            // ticks from, to, on, cross bars
uniform vec4 ez;               // alpha, alpha, pattern, wear
uniform vec4 extra;            // stripe x (or -99), track on, dirt, ao
uniform vec2 seed;
uniform float twin;            // second line beside every 10-yard line, yards off; 0 = none
uniform vec4 restraint;        // colour, yards outside the sidelines (0 = none)
layout(location = 0) out vec4 picture;
layout(location = 1) out vec4 who;

float pulse(float d, float fw, float hw) {
    return (clamp(d + 0.5 * fw, -hw, hw) - clamp(d - 0.5 * fw, -hw, hw)) / fw;
}
float band(float v, float fw, float a, float b) { return pulse(v - 0.5 * (a + b), fw, 0.5 * (b - a)); }
float every(float v, float n) { return mod(v + 0.5 * n, n) - 0.5 * n; }
float mown(float v, float n) { return clamp((abs(every(v - 0.5 * n, 2.0 * n)) - 0.5 * n) / 0.15, -1.0, 1.0); }

vec3 sky(vec3 ray) {
    float e = clamp(ray.z / length(ray) * 4.0, 0.0, 1.0);
    vec2 q = ray.xy / max(ray.z, 0.02) * 0.02;
    float cloud = smoothstep(0.45, 0.75, textureLod(noise, q, 0.0).a * 0.6 + textureLod(noise, q * 2.7, 0.0).b * 0.4);
    vec3 c = mix(mix(sky_low, sky_top, sqrt(e)), vec3(0.9), 0.5 * cloud * smoothstep(0.05, 0.5, e));
    return c * (night == 1 ? 0.04 : 1.0);
}

void main() {
    ivec2 at = ivec2(gl_FragCoord.xy);
    vec4 front = texture(layer, gl_FragCoord.xy / size);
    if (moving == 1) front = 0.5 * (front + texture(layer2, gl_FragCoord.xy / size));
    who = vec4(texelFetch(ids, at * 2, 0).r, 0.0, 0.0, 1.0);
    vec2 d = gl_FragCoord.xy - 0.5 * size, u = d;
    for (int i = 0; i < 4; i++) u = d / (1.0 + k1 * dot(u, u) / (0.25 * size.x * size.x));
    vec3 ray = (ax_r * u.x + ax_d * u.y) / focal + ax_f;
    vec3 up = ray;
    ray.z = min(ray.z, -0.004);
    vec3 p3 = cam - ray * (cam.z / ray.z);
    p3 += ray * ((ground_z(p3.y) - p3.z) / ray.z);
    p3 += ray * ((ground_z(p3.y) - p3.z) / ray.z);
    vec2 p = p3.xy;
    float fx = max(length(vec2(dFdx(p.x), dFdy(p.x))), 1e-4), fy = max(length(vec2(dFdx(p.y), dFdy(p.y))), 1e-4);
    vec2 fl = field.xy;

    vec4 n1 = texture(noise, p * 0.052 + seed, -0.8);
    vec4 n2 = texture(noise, mat2(0.8, 0.6, -0.6, 0.8) * p * 0.0081 + seed.yx);
    vec4 n3 = texture(noise, p * 0.0011 - seed);
    if (front.a > 0.998) { picture = vec4(front.rgb, 1.0); return; }
    if (up.z > -0.004) { picture = vec4(film(sky(up)) * (1.0 - front.a) + front.rgb, 1.0); return; }
    float fine = (n1.r + 0.7 * n1.g - 0.85) * 1.3 + (n2.r - 0.5) * 1.1;
    float slow = (n3.r - 0.5) * 1.5 + (n2.b - 0.5) * 0.45 + (n3.g - 0.5);

    float inx = band(p.x, fx, field.z - 0.5 * lines.y, fl.x - field.z + 0.5 * lines.y);
    float iny = band(p.y, fy, lines.w, fl.y - lines.w);
    float inner = band(p.x, fx, 0.0, fl.x) * band(p.y, fy, 0.0, fl.y);
    vec3 c = turf;
    float bands = 0.0;
    if (mow.y > 0.0) bands += mown(p.x - field.z, mow.y);
    if (mow.z > 0.0) bands += mown(p.y, mow.z);
    c *= 1.0 + 0.5 * mow.x * bands;
    if (p.y < -lines.z || p.y > fl.y + lines.z || p.x < -lines.z || p.x > fl.x + lines.z) {
        c = outside;
        vec2 q = max(abs(p - 0.5 * fl) - 0.5 * fl, 0.0);
        float far = length(q);
        if (extra.y > 0.5) {
            float on = smoothstep(5.0 - fy, 5.0 + fy, far) * (1.0 - smoothstep(14.0 - fy, 14.0 + fy, far));
            vec3 lane = mix(track, vec3(0.75), pulse(every(far - 5.0, 1.33), max(fx, fy), 0.035) * 0.8);
            c = mix(c, lane, on);
        }
        fine *= 0.6;
    }
    float zone = band(p.x, fx, 0.0, field.z) , zone2 = band(p.x, fx, fl.x - field.z, fl.x);
    float tex = ez.z > 0.5 ? step(0.5, fract((p.x + p.y) * 0.2)) : 1.0;
    float wear = 1.0 - ez.w * smoothstep(0.38, 0.66, n2.g * 0.6 + n1.b * 0.4);
    float row = min(abs(p.y - hashes.x), abs(p.y - (fl.y - hashes.x)));
    float trodden = exp(-pow((p.y - 0.5 * fl.y) / 11.0, 2.0)) * inner;
    wear *= 1.0 - ez.w * 0.5 * trodden;
    c = mix(c, ez_colour[0], zone * inner * ez.x * tex * wear);
    c = mix(c, ez_colour[1], zone2 * inner * ez.y * tex * wear);
    if (ground.y > 0.0) {
        float m = smoothstep(0.62 - 0.3 * ground.y * (0.4 + trodden), 0.8, n2.a * 0.55 + n3.b * 0.25 + n1.a * 0.2);
        c = mix(c, vec3(0.13, 0.085, 0.045), m * 0.85);
        wear *= 1.0 - 0.6 * m;
    }
    float bare = length(p - vec2(fl.x * 0.82, -4.0)) - 28.0 + 2.0 * n2.r;
    if (extra.z > 0.5) c = mix(c, vec3(0.33, 0.2, 0.11), smoothstep(0.5, -0.5, bare));
    if (restraint.w > 0.0) {
        float off = abs(p.y - 0.5 * fl.y) - 0.5 * fl.y - lines.z - restraint.w;
        c = mix(c, restraint.rgb, pulse(off, fy, 0.08) * step(0.45, fract(p.x * 0.5)) * inx * 0.9);
    }
    vec4 dec = texelFetch(decals, at, 0);
    c = mix(c, to_linear(dec.rgb / max(dec.a, 0.004)), dec.a * wear);

    float yl = pulse(every(p.x - field.z, 5.0), fx, 0.5 * lines.x) * inx * iny;
    if (extra.x > 0.0) {
        float s = pulse(p.x - extra.x, fx, 0.5 * lines.x) * iny;
        c = mix(c, stripe_colour, s * wear);
        yl *= 1.0 - step(abs(p.x - extra.x), 1.0);
    }
    float white = yl;
    if (twin > 0.0) white = max(white, pulse(every(p.x - field.z - twin, 10.0), fx, 0.5 * lines.x) * inx * iny);
    float goal = pulse(p.x - field.z, fx, 0.5 * lines.y) + pulse(p.x - fl.x + field.z, fx, 0.5 * lines.y);
    white = max(white, goal * iny);
    float outer = band(p.x, fx, -lines.z, fl.x + lines.z) * band(p.y, fy, -lines.z, fl.y + lines.z);
    white = max(white, outer - inner);
    float tick = pulse(every(p.x - field.z, hashes.w), fx, 0.5 * hashes.z) * inx;
    white = max(white, tick * pulse(row, fy, 0.5 * hashes.y));
    if (sides.z > 0.5) {
        float y = min(p.y, fl.y - p.y);
        white = max(white, pulse(every(p.x - field.z, 1.0), fx, 0.5 * hashes.z) * inx * band(y, fy, sides.x, sides.y));
    }
    float bar = pulse(every(p.x - field.z, 5.0), fx, 0.5 * hashes.y) * inx;
    if (sides.w > 0.5) white = max(white, bar * pulse(row, fy, 0.5 * hashes.z));
    float tries = min(abs(p.x - field.z - 2.0), abs(p.x - fl.x + field.z + 2.0));
    white = max(white, pulse(tries, fx, 0.055) * pulse(p.y - 0.5 * fl.y, fy, 0.5));
    c = mix(c, paint, white * wear);
    if (ground.z > 0.0) {
        float s = smoothstep(0.75 - 0.5 * ground.z, 0.95 - 0.45 * ground.z, n2.r * 0.5 + n3.a * 0.3 + n1.a * 0.2);
        c = mix(c, vec3(0.72, 0.74, 0.78), s * 0.93);
    }
    c *= max(1.0 + mow.w * fine * (1.0 - 0.55 * white) + ground.x * slow, 0.1);
    c.rb *= 1.0 + ground.x * 0.9 * vec2(n3.b - 0.5, n2.a - 0.5);

    vec4 sh = texture(shadows, gl_FragCoord.xy / size);
    if (smooth_shadows == 1) {
        sh = vec4(0.0);
        for (int i = 0; i < 4; i++)
            sh += 0.25 * texture(shadows, (gl_FragCoord.xy + vec2((i & 1) * 2 - 1, (i & 2) - 1) * 1.1) / size);
    }
    float open = 1.0 - 0.8 * extra.w * sh.a;
    float light = (1.0 - direct) * open;
    if (night == 1) light += direct * (1.0 - dot(sh.rgb, vec3(0.36, 0.33, 0.31)));
    else light += direct * (1.0 - max(sh.r * 0.96, stadium(p)));
    vec3 cool = night == 1 ? vec3(1.0) : mix(vec3(0.86, 0.98, 1.2), vec3(1.0), clamp(light * 1.2, 0.0, 1.0));
    c *= light * lit(p) * cool;
    if (ground.w > 0.0) c = c * (1.0 - 0.35 * ground.w) + ground.w * 0.03 * smoothstep(0.25, 0.95, n2.b) * lit(p);
    float away = length(p - cam.xy);
    c = mix(c, sky_low * (night == 1 ? 0.02 : 0.7), clamp((away - 170.0) / 500.0, 0.0, 0.75));
    picture = vec4(film(c) * (1.0 - front.a) + front.rgb, 1.0);
}
"""
)

DECAL_VS = (
    COMMON
    + """
in vec2 at; in vec2 uv; in vec3 fill; in vec4 rim;
out vec2 v_uv; out vec3 v_fill; out vec4 v_rim;
void main() {
    v_uv = uv; v_fill = fill; v_rim = rim;
    gl_Position = project(vec3(at, ground_z(at.y)));
}
"""
)

DECAL_FS = """#version 330
uniform sampler2D atlas;
in vec2 v_uv; in vec3 v_fill; in vec4 v_rim;
out vec4 colour;
void main() {
    // A bias instead of anisotropic filtering: Mesa's software one can take minutes on a flat triangle.
    vec3 t = texture(atlas, v_uv, -0.9).rgb;
    colour = vec4(t.r * v_fill + t.g * v_rim.rgb, max(t.b, min(t.r + t.g, 1.0))) * v_rim.a;
}
"""

PEOPLE_VS = (
    COMMON
    + """
in vec3 pos; in vec3 normal; in vec3 colour; in vec2 uv; in vec2 tag;
out vec3 v_pos, v_normal, v_colour; out vec2 v_uv; flat out vec2 v_tag;
void main() {
    vec3 p = pos + vec3(0.0, 0.0, ground_z(pos.y));
    v_pos = pos; v_normal = normal; v_colour = colour; v_uv = uv; v_tag = tag;
    gl_Position = project(p);
}
"""
)

PEOPLE_FS = (
    "#version 330\n"
    + LIGHT
    + sunlight.SHADED
    + """
uniform sampler2D cloth, noise;
uniform vec3 eye, bounce;
uniform float crowd;
in vec3 v_pos, v_normal, v_colour; in vec2 v_uv; flat in vec2 v_tag;
layout(location = 0) out vec4 picture;
layout(location = 1) out vec4 who;

float hash(vec2 p) { return fract(sin(dot(p, vec2(12.9898, 78.233))) * 43758.5453); }

vec3 seats(vec2 q, vec3 seat) {
    float row = floor(q.y);
    q.x += 0.37 * hash(vec2(row, 3.1));
    vec2 cell = floor(q), f = fract(q) - 0.5;
    float h = hash(cell), k = hash(cell + 7.3), m = hash(cell + 31.7), o = hash(cell + 57.1);
    float grey = dot(seat, vec3(0.3, 0.6, 0.1));
    vec3 base = mix(seat, vec3(grey), 0.35) * (0.55 + 0.45 * step(-0.1, f.y)) * (0.85 + 0.3 * o);
    float full = crowd * (0.55 + 0.9 * hash(floor(cell / vec2(9.0, 4.0)) + 2.2));
    vec3 dull = vec3(0.02 + 0.35 * k * k);
    vec3 any = 0.03 + 0.45 * vec3(k * k, m * m, o * o);
    vec3 shirt = o < 0.35 ? dull : (o < 0.6 ? mix(dull, seat, 0.7) : mix(any, dull, 0.4));
    if (o > 0.85) shirt = vec3(0.45 + 0.3 * m);
    vec3 skin = mix(vec3(0.07, 0.035, 0.02), vec3(0.5, 0.3, 0.22), m);
    vec3 mean = mix(base, 0.5 * shirt + 0.5 * base, step(h, full));
    vec2 g = f + 0.3 * (vec2(k, m) - 0.5);
    vec3 c = base;
    if (h < full) {
        c = base * 0.6;
        if (abs(g.x) < 0.22 + 0.1 * o && g.y < 0.16 && g.y > -0.45) c = shirt * (0.75 + 0.5 * g.y + 0.25);
        if (length(g - vec2(0.0, 0.26)) < 0.12) c = k < 0.4 ? skin : (k < 0.7 ? skin * 0.3 : shirt);
    }
    vec2 fw = fwidth(q);
    return mix(c, mean, clamp(max(fw.x, fw.y) * 1.6 - 0.3, 0.0, 0.85));
}

void main() {
    int kind = int(v_tag.y + 0.5);
    vec3 n = normalize(v_normal);
    if (!gl_FrontFacing && dot(n, eye - v_pos) < 0.0) n = -n;
    vec3 c = v_colour;
    if (kind < 4 && v_uv.x >= 0.0) c *= to_linear(texture(cloth, v_uv).rgb);
    if (kind == 4) c = seats(v_uv, c);
    if (kind == 5) c *= 0.35 + 1.3 * texture(noise, v_uv * 0.05).r * (0.5 + texture(noise, v_uv * 0.21).g);
    float fold = texture(noise, vec2(v_pos.x + v_pos.y + v_tag.x * 1.7, v_pos.z) * 0.013 + v_tag.x * 0.31).r - 0.5;
    if (kind == 0) c *= 1.0 + 0.55 * fold;
    float up = 0.5 + 0.5 * n.z;
    float low = kind < 4 ? 0.55 + 0.45 * smoothstep(0.0, 0.9, v_pos.z) : 1.0;
    vec3 light = (1.0 - direct) * (0.45 + 0.6 * up) * low * vec3(1.0) + bounce * (1.0 - up) * 0.9 * low;
    vec3 view = normalize(eye - v_pos);
    float gloss = 0.0;
    if (night == 1) {
        for (int i = 0; i < 3; i++) {
            vec3 l = normalize(lamps[i] - v_pos);
            float k = max(dot(n, l), 0.0);
            light += direct * 0.36 * min(1.0 / max(l.z, 0.35), 2.2) * k;
            gloss += pow(max(dot(n, normalize(l + view)), 0.0), 40.0);
        }
    } else {
        float open = 1.0 - stadium(v_pos.xy - sun.xy * v_pos.z / sun.z);
        if (open > 0.05 && dot(n, sun) > 0.0) open *= 1.0 - 0.94 * behind_others(v_pos);
        light += direct * open * max(dot(n, sun), 0.0) / max(sun.z, 0.42);
        gloss += open * 1.6 * pow(max(dot(n, normalize(sun + view)), 0.0), 50.0);
    }
    if (kind == 1) c += 0.45 * gloss * direct;
    c *= light * lit(v_pos.xy);
    if (kind == 7) c = v_colour;  // lamps and screens
    picture = vec4(film(c), 1.0);
    who = vec4(v_tag.x < 0.0 ? 1.0 : (v_tag.x + 1.0) / 255.0, 0.0, 0.0, 1.0);
}
"""
)

SHADOW_VS = (
    COMMON
    + """
uniform vec4 source;  // direction (w 0) or place (w 1) of the light
in vec3 pos;
void main() {
    vec3 l = source.w < 0.5 ? source.xyz : source.xyz - pos;
    vec2 q = pos.xy - l.xy * (pos.z / max(l.z, 0.05));
    gl_Position = project(vec3(q, ground_z(q.y)));
}
"""
)

SHADOW_FS = """#version 330
out vec4 colour;
void main() { colour = vec4(1.0); }
"""

TILE_VS = (
    COMMON
    + """
uniform sampler2D boxes;  // a texel a person: left, top, width, height in px
uniform vec2 grid;        // tiles along x and y
in vec3 pos; in vec2 tag;
void main() {
    vec4 p = project(pos + vec3(0.0, 0.0, ground_z(pos.y)));
    vec2 px = (p.xy / p.w * 0.5 + 0.5) * size;
    vec4 b = texelFetch(boxes, ivec2(int(tag.x + 0.5), 0), 0);
    vec2 q = clamp((px - b.xy) / max(b.zw, 0.01), 0.0, 1.0);
    vec2 tile = vec2(mod(tag.x, grid.x), floor((tag.x + 0.5) / grid.x));
    gl_Position = b.z <= 0.0 ? vec4(2.0, 2.0, 2.0, 1.0) : vec4((tile + q) / grid * 2.0 - 1.0, 0.0, 1.0);
}
"""
)

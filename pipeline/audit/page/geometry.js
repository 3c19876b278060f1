// From yards on the field to pixels of the film and back, with the camera that the charting measured.
// The same pinhole with one radial term as the program's own camera module.

function center(c) { return [(c.width_px - 1) / 2, (c.height_px - 1) / 2]; }

export function toPx(c, x, y) {
  const d = [x - c.position_yd[0], y - c.position_yd[1], -c.position_yd[2]];
  const r = c.rotation;
  const right = d[0] * r[0][0] + d[1] * r[0][1] + d[2] * r[0][2];
  const down = d[0] * r[1][0] + d[1] * r[1][1] + d[2] * r[1][2];
  const ahead = d[0] * r[2][0] + d[1] * r[2][1] + d[2] * r[2][2];
  if (ahead <= 1e-6) return null;
  const u = [right / ahead * c.focal_px, down / ahead * c.focal_px];
  const half = c.width_px / 2;
  const r2 = (u[0] * u[0] + u[1] * u[1]) / (half * half);
  // Past this radius the lens term folds back: such a point is not in the picture.
  if (1 + 3 * c.k1 * r2 <= 0) return null;
  const k = 1 + c.k1 * r2;
  const m = center(c);
  return [m[0] + u[0] * k, m[1] + u[1] * k];
}

export function toGround(c, px, py) {
  const m = center(c);
  const half = c.width_px / 2;
  const d = [(px - m[0]) / half, (py - m[1]) / half];
  let u = d;
  for (let i = 0; i < 12; i += 1) {
    const k = 1 + c.k1 * (u[0] * u[0] + u[1] * u[1]);
    u = [d[0] / k, d[1] / k];
  }
  const v = [u[0] * half / c.focal_px, u[1] * half / c.focal_px, 1];
  const r = c.rotation;
  const ray = [0, 1, 2].map((j) => v[0] * r[0][j] + v[1] * r[1][j] + v[2] * r[2][j]);
  if (ray[2] >= -1e-9) return null;
  const k = -c.position_yd[2] / ray[2];
  return [c.position_yd[0] + ray[0] * k, c.position_yd[1] + ray[1] * k];
}

// The play frame: depth past the line of scrimmage, across from the ball to the offence's right.
export function toPlay(play, x, y) {
  return { depth: play.direction * (x - play.line_yd), across: -play.direction * (y - play.ball_y_yd) };
}

export function fromPlay(play, depth, across) {
  return [play.line_yd + play.direction * depth, play.ball_y_yd - play.direction * across];
}

// Lines of the field as polylines in pixels of the film: [{kind, points}], cut where they leave the picture.
export function fieldLines(c, field, play) {
  const out = [];
  const add = (kind, a, b) => {
    let run = [];
    for (let i = 0; i <= 40; i += 1) {
      const p = toPx(c, a[0] + (b[0] - a[0]) * i / 40, a[1] + (b[1] - a[1]) * i / 40);
      const near = p && p[0] > -c.width_px / 2 && p[0] < 1.5 * c.width_px && p[1] > -c.height_px / 2 && p[1] < 1.5 * c.height_px;
      if (near) run.push(p);
      if ((!near || i === 40) && run.length > 1) out.push({ kind, points: run });
      if (!near) run = [];
    }
  };
  for (const x of field.yard_lines) add("yard", [x, 0], [x, field.width]);
  for (const y of field.hash_rows) add("hash", [0, y], [field.length, y]);
  for (const y of [0, field.width]) add("side", [0, y], [field.length, y]);
  for (const x of [0, field.length]) add("side", [x, 0], [x, field.width]);
  if (play) add("line", [play.line_yd, 0], [play.line_yd, field.width]);
  return out;
}

const mix = (a, b, w) => a + (b - a) * w;

function mixCamera(a, b, w) {
  return {
    ...a, focal_px: mix(a.focal_px, b.focal_px, w), k1: mix(a.k1, b.k1, w),
    position_yd: a.position_yd.map((v, i) => mix(v, b.position_yd[i], w)),
    rotation: a.rotation.map((row, i) => row.map((v, j) => mix(v, b.rotation[i][j], w))),
  };
}

// What is known at a frame: a moment looked at, or one in between two of them (between: true), or null.
export function momentAt(view, frame) {
  if (!view) return null;
  const all = view.moments;
  const exact = all.find((m) => m.frame === frame);
  if (exact) return exact;
  const after = all.findIndex((m) => m.frame > frame);
  if (after <= 0) return null;
  const [a, b] = [all[after - 1], all[after]];
  const w = (frame - a.frame) / (b.frame - a.frame);
  const people = [];
  for (const p of a.people) {
    const q = p.id === null ? null : b.people.find((o) => o.id === p.id);
    if (!q) continue;
    const both = (key) => (p[key] && q[key] ? p[key].map((v, i) => mix(v, q[key][i], w)) : null);
    people.push({
      ...p, box: both("box"), ground: both("ground"),
      x_yd: p.x_yd === null || q.x_yd === null ? null : mix(p.x_yd, q.x_yd, w),
      y_yd: p.y_yd === null || q.y_yd === null ? null : mix(p.y_yd, q.y_yd, w),
    });
  }
  const camera = a.camera && b.camera ? mixCamera(a.camera, b.camera, w) : null;
  return { ...a, frame, time_s: mix(a.time_s, b.time_s, w), people, camera, between: true };
}

export function nearest(view, time) {
  if (!view || !view.moments.length) return null;
  return view.moments.reduce((best, m) => (Math.abs(m.time_s - time) < Math.abs(best.time_s - time) ? m : best));
}

"""Builds a play: draws the call, aligns both teams, moves them, and writes down what is true."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training.playbook import others, presnap, special
from models.training.playbook.assignments import Plan, assign
from models.training.playbook.calls import NO_SNAPS, SPECIALS, Call, draw_call
from models.training.playbook.finish import ball_path, facings, stances
from models.training.playbook.formations import align_offense
from models.training.playbook.motions import Motion, draw_motion
from models.training.playbook.outcome import Outcome, Scene
from models.training.playbook.passing import play_pass
from models.training.playbook.play import HZ, Person, Play
from models.training.playbook.roster import LEVEL_SPEED, Spot, body, numbers
from models.training.playbook.running import play_run
from models.training.playbook.secondary import align_defense
from models.training.playbook.sim import Sim, separate, settle_in_time
from models.training.playbook.truth import COLUMNS, after_labels, before_labels, motion_truth, play_kind
from pipeline.errors import UsageError
from pipeline.field import Field, load

Array = NDArray[np.float64]


def place_ball(rng: np.random.Generator, f: Field, call: Call) -> Spot:
    """Where the ball lies: between the hash rows, any yard line that leaves room for the play."""
    low, high = f.hash_inner, f.width - f.hash_inner
    y = {"near": low, "far": high, "middle": f.width / 2}.get(call.hash, float(rng.uniform(low, high)))
    d = call.direction
    if call.los is not None:
        x = float(call.los)
    else:
        gain = rng.uniform(2, f.length - 2 * f.end_zone - 2)  # yards from the offence's own goal line
        if call.kind == "field_goal":
            gain = f.length - 2 * f.end_zone - rng.uniform(3, 35)
        elif call.kind == "punt":
            gain = rng.uniform(12, 55)
        elif rng.random() < 0.75:
            gain = float(np.clip(gain, 12, f.length - 2 * f.end_zone - 12))
        x = f.end_zone + gain if d > 0 else f.length - f.end_zone - gain
        if rng.random() < 0.8:
            x = round(x * 2) / 2
    ahead = f.length - x if d > 0 else x
    right, left = (y, f.width - y) if d > 0 else (f.width - y, y)
    return Spot(
        f.level, x, y, d, left, right, ahead - f.end_zone, ahead, f.length - ahead, f.end_zone,
        1.0 if f.level == "canadian" else 0.0,
    )  # fmt: skip


def to_field(spot: Spot, play_xy: Array) -> Array:
    """Play frame (..., 2) to field frame."""
    x = spot.line_of_scrimmage_yd + spot.direction * play_xy[..., 0]
    return np.stack([x, spot.ball_y_yd - spot.direction * play_xy[..., 1]], -1)


def facing_to_field(spot: Spot, angle: Array) -> Array:
    """Angle of (depth, across) to an angle in the field frame, in (-pi, pi]."""
    x, y = spot.direction * np.cos(angle), -spot.direction * np.sin(angle)
    return np.arctan2(y, x)


class Draft:
    """A play in the play frame before people are written down."""

    def __init__(self, scene: Scene, t: Array, xy: Array, getter: int | None) -> None:
        n = len(scene.men)
        self.scene, self.t, self.xy, self.getter = scene, t, xy, getter
        self.engaged = np.zeros((len(t), n), bool)
        self.pair = np.full(n, -1)
        self.ready: dict[int, float] = {}
        self.out: Outcome | None = None
        self.ball: Array | None = None
        self.labels: dict[str, Any] = {}
        self.extra: dict[str, Any] = {}
        self.deep: set[int] = set()
        self.later: set[int] = set()


def _fit_end_line(s: Scene) -> None:
    """Nobody of the offence stands beyond his own end line; the passer shortens his depth there."""
    for m in s.offense:
        m.depth = max(m.depth, -(s.spot.behind - 0.8))


@dataclass(frozen=True)
class Opening:
    """A scrimmage play up to its snap. t (T,) seconds of the whole play, the snap at t[k0] = 0; before (k0 + 1, N, 2)
    positions (depth, across) until then, offence first; velocity (N, 2) at it; shown: the coverage whose picture it
    is; ready: when each man got set; shifted: whether somebody shifted."""

    scene: Scene
    plan: Plan
    motion: Motion
    shown: str
    t: Array
    k0: int
    before: Array
    velocity: Array
    ready: dict[int, float]
    shifted: bool


def open_scrimmage(rng: np.random.Generator, spot: Spot, call: Call) -> Opening:
    """Line both sides up, hand out the jobs, and walk everybody to the snap."""
    offense = align_offense(rng, spot, call.formation, call.strong, call.gun, call.passing)
    defense, shown = align_defense(rng, spot, call, offense)
    scene = Scene(rng, spot, call, offense, defense)
    _fit_end_line(scene)
    motion = draw_motion(rng, spot, call, offense, defense)
    movers = dict(motion.movers)
    plan = assign(rng, call, spot, offense, defense, motion.follower if call.man else None)
    presnap.creep(scene, plan, movers)
    presnap.mug_walk(scene, movers)
    pre_s = float(rng.uniform(4.0, 6.0))
    shifted = call.shift and presnap.shift(scene, movers, pre_s)
    ready = presnap.approach(scene, movers, pre_s)
    after_s = float(rng.uniform(3.2, 4.0))
    k0, k1 = round(pre_s * HZ), round(after_s * HZ)
    t = np.arange(-k0, k1 + 1) / HZ
    before, vel = presnap.pre_positions(scene, t[: k0 + 1], movers, ready)
    return Opening(scene, plan, motion, shown, t, k0, before, vel, ready, bool(shifted))


def opening(seed: int, level: str, **overrides: Any) -> Opening:
    """The first part of the scrimmage play that :func:`build_play` builds of the same seed, without what follows."""
    rng = np.random.default_rng(seed)
    f = load(level)
    call = draw_call(rng, level, **overrides)
    if call.kind in SPECIALS or call.kind in NO_SNAPS:
        raise UsageError(f"{call.kind} is no play from scrimmage.", hint="Give kind='pass' or 'run'.")
    return open_scrimmage(rng, place_ball(rng, f, call), call)


def draft_scrimmage(rng: np.random.Generator, spot: Spot, call: Call) -> Draft:
    """A scrimmage play (run or pass)."""
    o = open_scrimmage(rng, spot, call)
    scene, k0 = o.scene, o.k0
    sim = Sim(o.before[-1], o.velocity, HZ, len(o.t) - 1 - k0, 0.0)
    speed = LEVEL_SPEED[spot.level] * float(rng.uniform(0.95, 1.0))
    scheme = ""
    if call.kind == "run":
        out, scheme = play_run(scene, sim, speed)
    else:
        out = play_pass(scene, sim, o.plan, speed)
    draft = Draft(scene, o.t, np.concatenate([o.before, sim.hist[1:, : sim.n]]), scene.passer)
    draft.engaged[k0:] = sim.engaged
    draft.pair = sim.partner.copy()
    draft.out, draft.ready = out, o.ready
    _label(draft, o.plan, o.motion, o.shown)
    draft.extra |= {"scheme": scheme, "shift": o.shifted, "jobs": _job_names(o.plan)}
    return draft


def _job_names(plan: Plan) -> dict[int, str]:
    return {k: j.kind for k, j in sorted(plan.jobs.items())}


def _label(draft: Draft, plan: Plan, motion: Motion, shown: str) -> None:
    s, out = draft.scene, draft.out
    moved = motion_truth(draft.t, draft.xy, s, motion.man)
    response = motion.response if moved and motion.man >= 0 else None
    labels, deep, corners = before_labels(s, shown, response)
    labels |= {"motion": moved, "motion_response": response}
    draft.deep = deep
    if s.call.passing and out is not None:
        more, draft.later = after_labels(s, plan, out, draft.t, draft.xy, deep, corners)
        labels |= more
    draft.labels = labels
    draft.extra |= {
        "motion": motion.kind,
        "shown": shown,
        "corners": corners,
        "deep_count_at_1_5_s": _deep_geometry(draft, corners),
    }


def _deep_geometry(draft: Draft, corners: dict[int, int]) -> int:
    k = int(np.searchsorted(draft.t, 1.5))
    depth = draft.xy[min(k, len(draft.t) - 1), draft.scene.n_off :, 0]
    limit = draft.scene.spot.deep_limit()
    return sum(d > limit for i, d in enumerate(depth) if i not in corners.values())


def build_play(seed: int, level: str, *, bystanders: bool = False, **overrides: Any) -> Play:
    """Draw and build a play. bystanders: also people beside the field. Raises UsageError for unknown names."""
    rng = np.random.default_rng(seed)
    f = load(level)
    call = draw_call(rng, level, **overrides)
    spot = place_ball(rng, f, call)
    if call.kind in SPECIALS or call.kind in NO_SNAPS:
        draft = special.draft(rng, spot, call)
    else:
        draft = draft_scrimmage(rng, spot, call)
    return _write(seed, level, rng, draft, bystanders)


def _ball_and_bodies(draft: Draft) -> tuple[Array, Array, NDArray[np.int8]]:
    s, t = draft.scene, draft.t
    face = facings(s, t, draft.xy, draft.out, draft.engaged, draft.pair)
    stance = stances(s, t, draft.xy, draft.out, draft.engaged, draft.ready, draft.getter)
    if draft.ball is not None:
        ball = draft.ball
    elif draft.out is not None and draft.getter is not None:
        ball = ball_path(s, t, draft.xy, draft.out, face, draft.getter)
    else:
        ball = np.tile(np.array([0.0, 0.0, 0.1]), (len(t), 1))
    return ball, face, stance


def _write(seed: int, level: str, rng: np.random.Generator, draft: Draft, bystanders: bool) -> Play:
    s, t, spot = draft.scene, draft.t, draft.scene.spot
    n = len(s.men)
    ball, face, stance = _ball_and_bodies(draft)
    oxy, oface, ostance = others.officials(rng, spot, t, ball)
    every = separate(settle_in_time(np.concatenate([draft.xy, oxy], 1)))
    people = _people(rng, draft, oxy.shape[1])
    parts_face, parts_stance = [face, oface], [stance, ostance]
    kinds: list[str] = []
    if bystanders:
        bxy, bface, bstance, kinds = others.bystanders(rng, spot, t)
        every = np.concatenate([every, bxy], 1)
        parts_face.append(bface)
        parts_stance.append(bstance)
        for _ in kinds:
            h, b = body(rng, "unknown", level)
            people.append(Person(len(people), "unknown", "bystander", "unknown", int(rng.integers(1, 99)), h, b))
    no_snap = play_kind(s.call.kind) == "no_snap"
    labels = dict.fromkeys(COLUMNS) | draft.labels
    labels |= {"play_kind": play_kind(s.call.kind), "field_level": level}
    if not no_snap:
        labels |= {"line_of_scrimmage_yd": spot.line_of_scrimmage_yd, "ball_across_yd": spot.ball_y_yd,
                   "offense_players": s.n_off, "defense_players": n - s.n_off}  # fmt: skip
    extra = {"kind": s.call.kind, "call": s.call, "beside": kinds} | draft.extra
    ball_field = np.concatenate([to_field(spot, ball[:, :2]), ball[:, 2:]], 1)
    return Play(
        seed=seed, level=level, time_s=t - t[0] if no_snap else t,
        snap_index=None if no_snap else int(np.searchsorted(t, -1e-9)), people=tuple(people),
        xy_yd=to_field(spot, every), facing_rad=facing_to_field(spot, np.concatenate(parts_face, 1)),
        stance=np.concatenate(parts_stance, 1), ball_xyz_yd=ball_field,
        line_of_scrimmage_yd=spot.line_of_scrimmage_yd, ball_y_yd=spot.ball_y_yd, direction=spot.direction,
        labels=labels, extra=extra,
    )  # fmt: skip


def _people(rng: np.random.Generator, draft: Draft, n_officials: int) -> list[Person]:
    s = draft.scene
    out: list[Person] = []
    rushers = draft.out.rushers if draft.out else set()
    blockers = draft.out.blockers if draft.out else set()
    for i, (m, number) in enumerate(zip(s.men, numbers(rng, s.men), strict=True)):
        h, b = body(rng, m.position, s.spot.level)
        k = i - s.n_off
        out.append(Person(i, m.side, "player", m.position, number, h, b, i in rushers, i in blockers,
                          k >= 0 and k in draft.deep, k >= 0 and k in draft.later))  # fmt: skip
    for _ in range(n_officials):
        h, b = body(rng, "official", s.spot.level)
        out.append(Person(len(out), "official", "official", "official", 0, h, b))
    return out

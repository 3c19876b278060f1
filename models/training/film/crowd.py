"""People beside the field that a play does not list: benches, coaches, chain crew, photographers, ball carriers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.training.film.figures import STANCE, Bystander
from models.training.film.look import Look
from models.training.playbook.play import Play


@dataclass(frozen=True)
class Beside:
    """N people who hardly move: people, xy_yd (N, 2), facing_rad (N,), stance (N,) into ALL_STANCES."""

    people: tuple[Bystander, ...]
    xy_yd: NDArray[np.float64]
    facing_rad: NDArray[np.float64]
    stance: NDArray[np.int64]

    def at(self, t_s: float) -> NDArray[np.float64]:
        """(N, 2) with the small sway of people who stand and watch."""
        k = np.arange(len(self.people))
        sway = 0.05 * np.stack([np.sin(0.9 * t_s + k * 1.7), np.cos(0.7 * t_s + k * 2.3)], 1)
        return self.xy_yd + sway


def beside(look: Look, play: Play) -> Beside:
    """The people around one field; the same for every moment of a clip."""
    rng = np.random.default_rng([look.venue.seed, 5])
    f = look.field
    rows: list[tuple[str, int, float, float, float, str]] = []

    def person(kind: str, team: int, x: float, y: float, face: float, stance: str) -> None:
        rows.append((kind, team, x, y, face, stance))

    teams = (0, 1) if rng.random() < 0.5 else (1, 0)
    reach = 25.0 if f.level != "high_school" else 28.0
    border = max(look.paint.border_yd, 1.0)
    one_side = rng.random() < 0.08
    for side in (0, 1):
        if one_side and side == 0:
            continue
        inward = np.pi / 2 if side == 0 else -np.pi / 2
        spread = float(rng.uniform(4, 11))
        clump = float(rng.uniform(-reach * 0.6, reach * 0.6))
        for _ in range(look.venue.bench_people):
            kind = str(rng.choice(["player", "staff", "cape", ""], p=[0.6, 0.28, 0.06, 0.06]))
            x = f.length / 2 + float(rng.uniform(-reach, reach) if rng.random() < 0.6 else clump + rng.normal(0, 4))
            away = border + float(rng.gamma(1.4, spread / 3.5)) + 0.3
            y = -away if side == 0 else f.width + away
            stance = (
                "sitting"
                if away > border + 4 and rng.random() < 0.35
                else str(
                    rng.choice(
                        ["standing", "standing", "standing", "crouched", "kneeling", "arms_out", "cheering"],
                        p=[0.3, 0.25, 0.25, 0.08, 0.06, 0.04, 0.02],
                    )
                )
            )
            person(kind, teams[side], x, y, float(inward + rng.normal(0, 0.7)), stance)
    for _ in range(int(rng.integers(0, 7))):  # photographers beside and behind the end zones
        x = float(rng.choice([-2.5, f.length + 2.5, rng.uniform(5, f.length - 5)]))
        y = float(rng.uniform(4, f.width - 4)) if not 0 < x < f.length else float(rng.choice([-2.6, f.width + 2.6]))
        person(
            str(rng.choice(["photographer", "cameraman"])),
            -1,
            x,
            y,
            float(rng.uniform(0, 6)),
            str(rng.choice(["camera", "kneeling"])),
        )
    y = -1.5 if rng.random() < 0.5 else f.width + 1.5
    los = play.line_of_scrimmage_yd
    for x in (los, los + play.direction * float(rng.uniform(1, 10)), los - play.direction * float(rng.uniform(1, 9))):
        person("pole", -1, x + 0.3, y, np.pi / 2 if y < 0 else -np.pi / 2, "holding_pole")
    people = tuple(
        Bystander(
            1000 + i,
            k,
            t,
            int(rng.integers(1, 99)),
            float(np.clip(rng.normal(1.98, 0.09), 1.7, 2.25)),
            float(rng.uniform(0.9, 1.25)),
        )
        for i, (k, t, *_) in enumerate(rows)
    )
    xy = np.array([[r[2], r[3]] for r in rows], float).reshape(-1, 2)
    for _ in range(6):  # nobody stands inside another
        d = xy[:, None] - xy[None]
        n = np.linalg.norm(d, axis=-1) + np.eye(len(xy)) * 9
        push = np.where((n < 0.75)[..., None], d / n[..., None] * (0.75 - n[..., None]) / 2, 0).sum(1)
        xy = xy + np.clip(push, -0.4, 0.4)
    return Beside(people, xy, np.array([r[4] for r in rows]), np.array([STANCE[r[5]] for r in rows], int))

"""Top-down diagrams of plays, to look at as a coach: ``python -m models.training.playbook.diagram OUT.png``."""

from __future__ import annotations

import sys
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.playbook.play import Play, make_play

OFFENSE, DEFENSE, BALL, OFFICIAL, INK = (40, 110, 200), (150, 60, 30), (30, 30, 30), (120, 120, 120), (60, 60, 60)


def draw(play: Play, scale: float = 9.0) -> NDArray[np.uint8]:
    """One play in the play frame, offence going up: dots at the snap, thin lines before, thick ones after."""
    lo, hi, half = -14.0, 30.0, 27.0 if play.level != "canadian" else 33.0
    h, w = int((hi - lo) * scale), int(2 * half * scale)
    img = np.full((h + 62, w, 3), 250, np.uint8)
    xy = play.to_play_frame(play.xy_yd)

    def px(p: NDArray[np.float64]) -> NDArray[np.int32]:
        return np.stack([(p[..., 1] + half) * scale, (hi - p[..., 0]) * scale], -1).astype(np.int32)

    for d in range(-10, 31, 5):
        cv2.line(
            img,
            tuple(px(np.array([d, -half])).tolist()),
            tuple(px(np.array([d, half])).tolist()),
            (225, 225, 225) if d else (160, 200, 160),
            1,
        )
    snap = play.snap_index if play.snap_index is not None else len(play.time_s) // 2
    for i, p in enumerate(play.people):
        colour = {"offense": OFFENSE, "defense": DEFENSE}.get(p.side, OFFICIAL)
        cv2.polylines(img, [px(xy[: snap + 1, i])], False, tuple(int(128 + c / 2) for c in colour), 1, cv2.LINE_AA)
        cv2.polylines(img, [px(xy[snap:, i])], False, colour, 2 if p.rusher or p.blocker else 1, cv2.LINE_AA)
        c = tuple(px(xy[snap, i]).tolist())
        if p.side == "offense":
            cv2.circle(img, c, 5, colour, -1 if not p.blocker else 2, cv2.LINE_AA)
        elif p.side == "defense":
            cv2.drawMarker(img, c, colour, cv2.MARKER_TRIANGLE_DOWN, 11, 2, cv2.LINE_AA)
            if p.deep:
                cv2.circle(img, c, 9, (0, 140, 0), 1, cv2.LINE_AA)
            if p.deep_after:
                k = min(snap + 45, len(play.time_s) - 1)
                cv2.circle(img, tuple(px(xy[k, i]).tolist()), 7, (0, 140, 0), 2, cv2.LINE_AA)
            letter = {"corner": "c", "safety": "s", "slot_defender": "n", "linebacker": "l"}.get(p.position, "")
            cv2.putText(img, letter, (c[0] + 6, c[1] - 3), cv2.FONT_HERSHEY_SIMPLEX, 0.35, colour, 1, cv2.LINE_AA)
        else:
            cv2.circle(img, c, 2, colour, -1)
    ball = np.stack(
        [
            play.direction * (play.ball_xyz_yd[:, 0] - play.line_of_scrimmage_yd),
            -play.direction * (play.ball_xyz_yd[:, 1] - play.ball_y_yd),
        ],
        -1,
    )
    cv2.polylines(img, [px(ball[snap:])], False, BALL, 1, cv2.LINE_AA)
    for k, line in enumerate(caption(play)):
        cv2.putText(img, line, (4, h + 15 + 15 * k), cv2.FONT_HERSHEY_SIMPLEX, 0.38, INK, 1, cv2.LINE_AA)
    return img


def caption(play: Play) -> list[str]:
    """Three lines of text about a play."""
    lab, e = play.labels, play.extra
    call = e.get("call")

    def called(*names: str) -> str:
        return " ".join(str(getattr(call, n, "")) for n in names)

    def said(*names: str) -> str:
        return " ".join(str(lab.get(n)) for n in names)

    return [
        f"#{play.seed} {play.level} {e.get('kind')} {called('formation', 'front')} {e.get('scheme', '')}",
        f"{called('coverage')} shell {called('shell', 'pressure')} motion {e.get('motion')} "
        f"{said('motion_response')} box {said('box_defenders', 'corner_picture')}",
        f"deep {said('deep_safeties', 'deep_safeties_after', 'rotation', 'rotation_from')} "
        f"rush {said('rushers')} block {said('blockers', 'coverage_before', 'coverage_after')}",
    ]


def sheet(plays: list[Play], columns: int = 4, scale: float = 9.0) -> NDArray[np.uint8]:
    """Several plays in one picture."""
    tiles: list[Any] = [draw(p, scale) for p in plays]
    w = max(t.shape[1] for t in tiles)
    tiles = [
        cv2.copyMakeBorder(t, 2, 2, 2, 2 + w - t.shape[1], cv2.BORDER_CONSTANT, value=(200, 200, 200)) for t in tiles
    ]
    while len(tiles) % columns:
        tiles.append(np.full_like(tiles[0], 250))
    return np.vstack([np.hstack(tiles[i : i + columns]) for i in range(0, len(tiles), columns)])


def main(argv: list[str]) -> int:
    """Write a contact sheet: OUT.png [first seed] [count] [key=value ...]."""
    if not argv:
        print("usage: python -m models.training.playbook.diagram OUT.png [first] [count] [key=value ...]")
        return 2
    first, count = (int(a) for a in (argv[1:3] + ["0", "20"][len(argv[1:3]) :]))
    forced = dict(a.split("=", 1) for a in argv[3:])
    level = forced.pop("level", "professional")
    cv2.imwrite(argv[0], sheet([make_play(s, level, **forced) for s in range(first, first + count)]))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

"""A run folder made up: rows that hang together, for tests of what reads a run. No film, no models."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from pipeline import ledger
from pipeline.schema import SCHEMA_VERSION

COVERAGES = {0: ("cover_0",), 1: ("cover_1", "cover_3"), 2: ("cover_2", "cover_4", "cover_6"), 3: ("cover_3",)}
OFFENSE = (
    ("center", -0.5, 0), ("tackle", -1, 3), ("tackle", -1, -3), ("passer", -5, 0), ("receiver", -0.5, 20),
    ("receiver", -0.5, -20), ("tight_end", -1, 4.5),
)  # fmt: skip
HOSTILE = (
    "=cmd|' /C calc'!A0.mp4", "..%2F..\\etc.mp4", "../../etc/passwd.mp4", 'he said "go", then.mp4', "play 🏈 one.mp4",
    "\u202egpm.4\u05d0\u05d1.mp4", "x" * 300 + ".mp4", "<script>alert(1)</script>.mp4", "@SUM(A1).mp4", "-1+1.mp4",
)  # fmt: skip


def snap(rng: random.Random, number: int, clip: str, stem: str) -> dict[str, Any]:
    """One row of snaps.csv."""
    deep = rng.choices([0, 1, 2, 3], [1, 5, 8, 1])[0]
    dropback = rng.random() < 0.6
    left, right = (round(rng.choice([1.4, 5.1, 7.6]) + rng.uniform(-0.4, 0.6), 2) for _ in range(2))
    row: dict[str, Any] = {
        "snap_id": f"{stem}-p{number}", "clip": clip, "snap_frame": 60 + number, "snap_time_s": 2.0 + number / 30,
        "view": "sideline", "play_kind": "dropback" if dropback else "run", "field_level": "college",
        "line_of_scrimmage_yd": round(rng.uniform(15, 105), 2), "offense_direction": rng.choice(["right", "left"]),
        "ball_across_yd": round(rng.choice([20.0, 26.67, 33.3]) + rng.uniform(-0.3, 0.3), 2), "offense_players": 11,
        "defense_players": 11, "deep_safeties": deep, "middle_of_field": "closed" if deep in (1, 3) else "open",
        "corner_depth_offense_left_yd": left, "corner_depth_offense_right_yd": right, "corner_picture": "soft",
        "box_defenders": rng.choice([6, 7, 8]), "motion": rng.random() < 0.3,
        "coverage_before": COVERAGES[deep][0], "confidence": round(rng.uniform(0.3, 0.99), 4),
        "visible_depth_yd": 22.0, "registration_error_yd": 0.12, "review": rng.random() < 0.2,
        "schema_version": SCHEMA_VERSION,
    }  # fmt: skip
    down = rng.choice([1, 1, 2, 2, 3, 4])
    row |= {"down": down, "distance_yd": 10 if down == 1 else rng.randrange(1, 13)}
    row["field_position"] = f"{rng.choice(['own', 'opp'])}_{rng.randrange(1, 50)}"
    if dropback:
        after = deep if rng.random() < 0.65 else {2: 1, 1: 2, 0: 0, 3: 1}[deep]
        rush, block = rng.choices([3, 4, 5, 6, 7], [2, 8, 4, 2, 1])[0], rng.choice([5, 5, 6, 7])
        row |= {
            "deep_safeties_after": after, "rotation": "none" if after == deep else
            {(2, 1): "two_to_one", (1, 2): "one_to_two"}.get((deep, after), "to_none" if not after else None),
            "disguised": after != deep, "rushers": rush, "blockers": block, "spare_rushers": rush - block,
            "read_window": "long" if rush < block else "short", "coverage_after": rng.choice(COVERAGES[after]),
        }  # fmt: skip
    if row["review"]:
        row["review_reasons"] = "snap not certain: little movement"
    return row


def positions(rng: random.Random, row: dict[str, Any]) -> list[dict[str, Any]]:
    """Rows of positions.csv of a snap: both sides, the deep ones at both moments."""
    made: list[dict[str, Any]] = []
    moments = [("snap", row["deep_safeties"]), ("after", row.get("deep_safeties_after"))]
    for moment, deep in moments:
        if deep is None:
            continue
        across = (-9, 9) if deep == 2 else (0, 10, -10)[:deep]
        places = [("defense", "safety", rng.uniform(11, 15), a) for a in across]
        places += [("defense", "corner", row["corner_depth_offense_left_yd"], -17.0),
                   ("defense", "corner", row["corner_depth_offense_right_yd"], 17.0)]  # fmt: skip
        places += [("defense", "edge", 1.0, a) for a in (-4, 4)] + [("defense", "linebacker", 4.5, 0.5)]
        places += [("offense", p, d, a) for p, d, a in OFFENSE]
        rush = int(row.get("rushers") or 0)
        for n, (side, position, depth, across) in enumerate(places):
            rushes = side == "defense" and position in ("edge", "linebacker") and rush > 0
            made.append({
                "snap_id": row["snap_id"], "clip": row["clip"], "moment": moment, "frame": row["snap_frame"],
                "time_s": 0.0 if moment == "snap" else 1.0, "person_id": n, "role": "player", "side": side,
                "position": position, "x_yd": row["line_of_scrimmage_yd"] + depth, "y_yd": 26.0 - across,
                "depth_yd": round(depth, 2), "across_yd": round(across + rng.uniform(-1, 1), 2), "error_yd": 0.2,
                "confidence": 0.9, "deep": position == "safety", "rusher": rushes,
                "blocker": side == "offense" and position in ("center", "tackle"),
            })  # fmt: skip
    return made


def make(
    folder: Path, snaps: int = 120, seed: int = 1, *, pictures: bool = False, clips: tuple[str, ...] = (),
    stem: str = "alder_creek",
) -> list[dict[str, Any]]:  # fmt: skip
    """Write a run folder; returns its rows of snaps.csv. clips: names of film, one a snap, then made up."""
    rng = random.Random(seed)
    folder.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, Any]] = []
    people: list[dict[str, Any]] = []
    labels: list[dict[str, Any]] = []
    for n in range(snaps):
        clip = clips[n] if n < len(clips) else f"{stem}_{n // 20 + 1:02d}.mp4"
        row = snap(rng, n + 1, clip, stem)
        rows.append(row)
        people += positions(rng, row)
        for name in ("deep_safeties", "rushers", "deep_safeties_after", "corner_picture", "coverage_after"):
            value = row.get(name)
            text = None if value is None else str(value)
            labels.append({"snap_id": row["snap_id"], "label": name, "value": text, "confidence": 0.8,
                           "status": "not_visible" if value is None else "ok"})  # fmt: skip
        if pictures:
            _pictures(folder, row, rng)
    ledger.write_csv(folder / "snaps.csv", "snaps", rows)
    ledger.write_csv(folder / "positions.csv", "positions", people)
    ledger.write_csv(folder / "labels.csv", "labels", labels)
    ledger.write_csv(folder / "failures.csv", "failures", [])
    ledger.write_json(folder / "run.json", {"started": "2026-01-01T20:00:00+00:00", "versions": ledger.versions(),
                                            "clips": [], "config": {"field": {"level": "college"}}})  # fmt: skip
    return rows


def _pictures(folder: Path, row: dict[str, Any], rng: random.Random) -> None:
    for moment, green in (("snap", 110), ("after", 90)):
        image = np.full((360, 900, 3), (60, green, 60), np.uint8)
        for _ in range(22):
            x, y = rng.randrange(20, 620), rng.randrange(60, 340)
            cv2.rectangle(image, (x, y), (x + 12, y + 26), (20, 20, rng.randrange(80, 250)), -1)
        cv2.putText(image, f"{row['snap_id']} {moment}", (12, 34), cv2.FONT_HERSHEY_SIMPLEX, 0.8, (255, 255, 255), 2)
        data = cv2.imencode(".jpg", image)[1].tobytes()
        ledger.write_bytes(folder / "frames" / f"{ledger.safe_name(row['snap_id'])}-{moment}.jpg", data)

"""Sides from where people stand and what they wear, each helping where the other is silent."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline import formation, teams
from pipeline.people.kit import KIT_FEATURES
from pipeline.records import ROLES, SIDES
from tests.labels.labels_board import BALL_Y, LINE_X, Board, front, offense

OFF, DEF, OFFICIAL = (SIDES.index(s) for s in ("offense", "defense", "official"))


def board() -> Board:
    b = front(offense())
    b.put("CL", "defense", (6.5, -15.0)).put("CR", "defense", (1.3, 15.2)).put("FS", "defense", (13.0, 0.0))
    return b.put("NB", "defense", (5.0, -7.6))


def arrays(b: Board, direction: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(1, N, 2) field positions at the snap, true side, kit (N, 3) a light and a dark team with noise."""
    at = np.array([m[1] for m in b.men.values()], float)
    xy = np.stack([LINE_X + direction * at[:, 0], BALL_Y - direction * at[:, 1]], -1)[None]
    side = np.array([SIDES.index(m[0]) for m in b.men.values()])
    rng = np.random.default_rng(1)
    kit = np.where((side == OFF)[:, None], [80.0, 0.0, 5.0], [30.0, 10.0, -30.0]) + rng.normal(0, 5, (len(side), 3))
    return xy, side, kit


def split(
    xy: np.ndarray, kit: np.ndarray, role: np.ndarray | None = None, share: np.ndarray | None = None
) -> teams.Split:
    n = xy.shape[1]
    role = np.zeros(n, np.int64) if role is None else role
    share = np.ones(n) if share is None else share
    return teams.split(xy, np.ones((len(xy), n), bool), np.zeros(len(xy)), role, share, kit)


@pytest.mark.parametrize("direction", [1, -1])
def test_sides_with_kits_and_without(direction: int) -> None:
    xy, side, kit = arrays(board(), direction)
    for k in (kit, np.zeros((len(side), 0))):
        got = split(xy, k)
        assert got.formation is not None and got.formation.direction == direction
        assert (got.side == side).all()


def test_a_kit_outvotes_a_foot_over_the_line() -> None:
    """A defensive lineman placed 0.3 yd on the wrong side of the line by the eyes stays a defender."""
    b = board().put("LI", "defense", (-0.3, -0.7))
    xy, side, kit = arrays(b)
    assert (split(xy, kit).side == side).all()


def test_a_man_seen_only_after_the_snap_has_the_side_of_his_kit() -> None:
    xy, side, kit = arrays(board())
    late = list(board().men).index("FS")
    xy = np.repeat(xy, 2, 0)
    xy[0, late] = np.nan
    n = len(side)
    got = teams.split(xy, np.ones((2, n), bool), np.array([0.0, 0.5]), np.zeros(n, np.int64), np.ones(n), kit)
    assert got.side[late] == DEF
    assert got.confidence[late] < 1.0


def test_role_makes_the_official_and_an_odd_kit_helps_an_unsure_finder() -> None:
    b = board().put("U", "defense", (7.0, 1.0))
    xy, side, kit = arrays(b)
    u = list(b.men).index("U")
    kit[u] = [55.0, -60.0, 70.0]  # like neither team
    sure = np.zeros(len(side), np.int64)
    sure[u] = ROLES.index("official")
    assert split(xy, kit, sure).side[u] == OFFICIAL
    share = np.ones(len(side))
    share[u] = 0.55
    assert split(xy, kit, None, share).side[u] == OFFICIAL


def test_a_twelfth_find_of_a_side_goes() -> None:
    b = board()
    b.put("ghost", "defense", (13.2, 0.3))  # a second box on the safety
    xy, side, kit = arrays(b)
    seen = np.ones((1, len(side)), bool)
    seen[0, list(b.men).index("ghost")] = False
    got = teams.split(xy, seen, np.zeros(1), np.zeros(len(side), np.int64), np.ones(len(side)), kit)
    assert not got.keep[list(b.men).index("ghost")]
    assert got.keep.sum() == len(side) - 1


def test_kits_in_sun_and_shade_are_comparable() -> None:
    """The same kit in the shade is darker by about as much as the turf beside the man."""
    n = len(KIT_FEATURES)
    kit = np.zeros((4, n))
    at = {name: k for k, name in enumerate(KIT_FEATURES)}
    for row, (torso, turf) in enumerate([(80, 55), (50, 25), (40, 55), (10, 25)]):
        kit[row, at["torso_L"]] = kit[row, at["trousers_L"]] = kit[row, at["helmet_L"]] = torso
        kit[row, at["turf_L"]] = turf
    z = teams.comparable(kit)
    same = np.linalg.norm(z[0] - z[1]), np.linalg.norm(z[2] - z[3])
    other = np.linalg.norm(z[0] - z[2]), np.linalg.norm(z[1] - z[3])
    assert max(same) < 0.5 * min(other)


def test_kick_formation_is_read_the_right_way_round() -> None:
    """Common practice, no source: nine tight on the line, holder about seven yards back, kicker behind him."""
    b = Board()
    for k in range(-4, 5):
        b.put(f"L{k}", "offense", (-1.0 - 0.1 * abs(k), 1.12 * k))
    b.put("H", "offense", (-7.2, 0.4)).put("K", "offense", (-9.3, -1.7))
    for k in range(7):
        b.put(f"D{k}", "defense", (0.75, -4.8 + 1.6 * k))
    for k, at in enumerate([(3.3, -2.0), (3.6, 2.1), (6.3, -6.5), (6.9, 5.5)]):
        b.put(f"B{k}", "defense", at)
    for direction in (1, -1):
        xy, side, kit = arrays(b, direction)
        assert (split(xy, kit).side == side).all()


def test_too_few_people_leave_sides_unknown() -> None:
    got = split(np.full((1, 3, 2), 50.0), np.zeros((3, 3)))
    assert got.formation is None
    assert set(got.side) == {SIDES.index("unknown")}


def test_row_of_five_beside_a_passer_right_behind_the_snapper() -> None:
    """Under centre the passer stands in the row's own y order; he must not break the row."""
    y = np.array([22.9, 24.45, 26.0, 26.05, 27.55, 29.1, 30.7])
    depth = np.array([-1.1, -1.0, -0.8, -1.75, -1.0, -1.1, -1.0])
    five, _, centre = formation.linemen(np.stack([60 + depth, y], 1), depth)
    assert five == (0, 1, 2, 4, 5)
    assert centre == pytest.approx(26.0, abs=0.1)


def test_two_readings_nearly_alike_leave_the_sides_unsure() -> None:
    """Margins of a few log likelihoods turned out wrong on rendered kicks: the confidence says so."""
    assert formation.direction_confidence(1.0) < 0.6
    assert 0.8 < formation.direction_confidence(5.0) < 0.9
    assert formation.direction_confidence(15.0) > 0.99

"""What both sides call: drawn from a seed, any part of it forced by name.

Frequencies are chosen so that every label is met often enough to learn from, not to copy any team.
Terms are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from models.training.playbook.formations import FORMATIONS, WEIGHTS, draw_gun
from models.training.playbook.fronts import DOWN, FRONTS
from models.training.playbook.roster import pick
from pipeline.errors import UsageError

PASSES = ("dropback", "quick", "sprint_out", "screen", "play_action")
SPECIALS = ("kneel", "field_goal", "punt")
NO_SNAPS = ("stand_up", "walk_up", "between_plays")
KINDS = (*PASSES, "run", *SPECIALS, *NO_SNAPS)
# Coverage call -> (ledger family, deep safeties it ends with, honest shell before the snap, man to man)
COVERAGE_CALLS: dict[str, tuple[str, int, int, bool]] = {
    "cover_0": ("cover_0", 0, 0, True),
    "cover_1": ("cover_1", 1, 1, True),
    "cover_1_robber": ("cover_1", 1, 1, True),
    "cover_2": ("cover_2", 2, 2, False),
    "cover_2_deep_middle": ("cover_2", 2, 2, False),
    "cover_2_man": ("cover_2_man", 2, 2, True),
    "cover_3_sky": ("cover_3", 1, 1, False),
    "cover_3_weak": ("cover_3", 1, 1, False),
    "cover_3_buzz": ("cover_3", 1, 1, False),
    "cover_3_cloud": ("cover_3", 2, 2, False),
    "cover_4": ("cover_4", 2, 2, False),
    "cover_4_match": ("cover_4", 2, 2, False),
    "cover_6": ("cover_6", 2, 2, False),
    "drop_eight": ("other", 3, 3, False),
}
COVERAGE_WEIGHTS = {
    "cover_0": 8, "cover_1": 13, "cover_1_robber": 6, "cover_2": 10, "cover_2_deep_middle": 6, "cover_2_man": 9,
    "cover_3_sky": 10, "cover_3_weak": 5, "cover_3_buzz": 5, "cover_3_cloud": 5, "cover_4": 9,
    "cover_4_match": 7, "cover_6": 8, "drop_eight": 4,
}  # fmt: skip
RUSHERS = {  # by family: how many come
    "cover_0": {5: 20, 6: 50, 7: 20, 8: 10}, "cover_1": {3: 8, 4: 52, 5: 40}, "cover_2": {3: 18, 4: 72, 5: 10},
    "cover_2_man": {3: 12, 4: 88}, "cover_3": {3: 10, 4: 58, 5: 32}, "cover_4": {3: 18, 4: 72, 5: 10},
    "cover_6": {3: 12, 4: 80, 5: 8}, "other": {3: 100},
}  # fmt: skip
PRESSURES = ("base", "simulated", "linebackers", "slot", "corner", "safety", "all_out", "creeper", "drop_eight")
MOTIONS = ("none", "across", "jet", "short", "return")
RESPONSES = ("followed", "bumped", "stayed")
# (honest shell, shown shell) that a disguise may show, by the deep safeties a call ends with
DISGUISES = {0: {2: 60, 1: 40}, 1: {2: 95, 0: 5}, 2: {1: 93, 0: 7}, 3: {2: 70, 1: 30}}


@dataclass(frozen=True)
class Call:
    """Everything called. strong: +1 where the offence's right is strong. shell: deep safeties shown.

    rushers: defenders sent. pressure: which ones. mugged: linebackers standing in the gaps, who may drop.
    hold: the shown picture is kept until the snap (else it drifts in the last second).
    """

    kind: str
    formation: str
    strong: int
    gun: str
    front: str
    coverage: str
    shell: int
    rushers: int
    pressure: str
    mugged: int
    motion: str
    response: str
    hold: bool
    shift: bool
    hash: str
    direction: int
    los: float | None
    improvise: bool = True  # men may add to the rush or peel off it; not where the rush was forced by name

    @property
    def family(self) -> str:
        return COVERAGE_CALLS[self.coverage][0]

    @property
    def deep(self) -> int:
        return COVERAGE_CALLS[self.coverage][1]

    @property
    def man(self) -> bool:
        return COVERAGE_CALLS[self.coverage][3]

    @property
    def passing(self) -> bool:
        return self.kind in PASSES


def _choose(rng: np.random.Generator, name: str, given: Any, known: tuple[Any, ...], weights: dict[str, Any]) -> Any:
    if given is None:
        return pick(rng, weights)
    if given not in known:
        raise UsageError(f"Unknown {name} {given!r}.", hint=f"Choose one of: {', '.join(map(str, known))}.")
    return given


def _kind(rng: np.random.Generator, given: str | None) -> str:
    passes = {"dropback": 30, "quick": 14, "sprint_out": 6, "screen": 7, "play_action": 8}
    groups: dict[str, dict[str, Any]] = {
        "pass": passes,
        "dropback": passes,
        "special": {"kneel": 30, "field_goal": 35, "punt": 35},
        "no_snap": {"stand_up": 45, "walk_up": 30, "between_plays": 25},
    }
    if given is None:
        given = pick(rng, {"pass": 65, "run": 21, "special": 8, "no_snap": 6})
    if given == "pure_dropback":
        return "dropback"
    return pick(rng, groups[given]) if given in groups else _choose(rng, "kind", given, KINDS, {})


def _coverage(rng: np.random.Generator, given: str | None, pressure: Any) -> str:
    """A coverage call; drawn ones go with a forced number of rushers."""
    if given is None:
        n = 6 if pressure == "all_out" else pressure
        able = {
            k: w for k, w in COVERAGE_WEIGHTS.items() if not isinstance(n, int) or n in RUSHERS[COVERAGE_CALLS[k][0]]
        }
        return pick(rng, able or COVERAGE_WEIGHTS)
    if given in COVERAGE_CALLS and given not in ("cover_1", "cover_2", "cover_4"):
        return given
    family = {k: w for k, w in COVERAGE_WEIGHTS.items() if COVERAGE_CALLS[k][0] == given}
    return pick(rng, family) if family else _choose(rng, "coverage", given, tuple(COVERAGE_CALLS), {})


def _front(rng: np.random.Generator, given: str | None, formation: str) -> str:
    wide = sum(c in "XSBK" for side in FORMATIONS[formation][:2] for c in side)
    if wide <= 1:
        w = {"four_over": 25, "four_under": 15, "five_odd": 25, "five_bear": 20, "six_goal": 15}
    elif wide == 2:
        w = {"four_over": 25, "four_under": 20, "four_even": 15, "five_odd": 25, "five_bear": 15}
    else:
        w = {"four_over": 26, "four_even": 14, "four_wide": 24, "three_stack": 14, "three_tight": 10,
             "five_odd": 8, "five_bear": 4}  # fmt: skip
    return str(_choose(rng, "front", given, tuple(FRONTS), w))


def _pressure(rng: np.random.Generator, given: Any, family: str, front: str) -> tuple[int, str]:
    """How many rush and who. ``given`` is None, a number of rushers or a name of PRESSURES."""
    if isinstance(given, int) and not isinstance(given, bool):
        if not 3 <= given <= 8:
            raise UsageError(f"Unknown pressure {given!r}.", hint="Between 3 and 8 rushers.")
        n = given
    elif given == "drop_eight":
        return 3, "drop_eight"
    else:
        n = int(pick(rng, {str(k): w for k, w in RUSHERS[family].items()}))
    if given in PRESSURES:
        least = {"all_out": 6, "linebackers": 5}.get(given, 4)
        return max(n, least), given
    if given is not None and not isinstance(given, int):
        raise UsageError(f"Unknown pressure {given!r}.", hint=f"3 to 8 or one of: {', '.join(PRESSURES)}.")
    if n == 3:
        return 3, "drop_eight"
    if n >= 6:
        return n, "all_out"
    extra = n > min(DOWN[front], 4)
    w = {"linebackers": 40, "slot": 22, "corner": 8, "safety": 12, "creeper": 18} if extra else {
        "base": 78, "simulated": 14, "creeper": 8}  # fmt: skip
    return n, pick(rng, w)


def _motion(rng: np.random.Generator, given: Any, answer: Any, man: bool) -> tuple[str, str]:
    w = {"none": 62, "across": 13, "jet": 9, "short": 9, "return": 7}
    motion = _choose(rng, "motion", given, MOTIONS, w)
    if motion == "none":
        return motion, "none"
    table = {"followed": 74, "bumped": 15, "stayed": 11} if man else {"followed": 7, "bumped": 55, "stayed": 38}
    return motion, _choose(rng, "response", answer, RESPONSES, table)


def draw_call(rng: np.random.Generator, level: str, **o: Any) -> Call:
    """Draw a call. Overrides: kind, formation, strong, gun, front, coverage, shell, pressure, mugged, motion,
    response, disguise (bool), hold, shift, hash ('near', 'far', 'middle' as seen), direction, los.

    Raises UsageError for an unknown name or value.
    """
    known = {f.name for f in fields(Call)} | {"disguise"}
    unknown = set(o) - known
    if unknown:
        raise UsageError(f"Unknown override {sorted(unknown)[0]!r}.", hint=f"Known: {', '.join(sorted(known))}.")
    kind = _kind(rng, o.get("kind"))
    weights = dict(WEIGHTS)
    formation = _choose(rng, "formation", o.get("formation"), tuple(FORMATIONS), weights)
    coverage = _coverage(rng, o.get("coverage"), o.get("pressure", o.get("rushers")))
    family, deep, honest, man = COVERAGE_CALLS[coverage]
    front = _front(rng, o.get("front"), formation)
    if coverage == "drop_eight" and o.get("pressure") is None:
        o = {**o, "pressure": "drop_eight"}
    rushers, pressure = _pressure(rng, o.get("pressure", o.get("rushers")), family, front)
    if rushers > max(RUSHERS[family]) + 1:
        raise UsageError(
            f"{coverage} cannot be played with {rushers} rushers.", hint=f"At most {max(RUSHERS[family]) + 1}."
        )
    motion, response = _motion(rng, o.get("motion"), o.get("response"), man)
    disguise = o.get("disguise")
    if disguise is None:
        disguise = rng.random() < 0.27
    shell = int(pick(rng, {str(k): w for k, w in DISGUISES[deep].items()})) if disguise else honest
    rotates = {"cover_3_sky", "cover_3_weak", "cover_3_buzz"}
    if coverage in rotates and o.get("disguise") is None and rng.random() < 0.35:
        shell = 2
    mugged = o.get("mugged")
    if mugged is None:
        mugged = int(pick(rng, {"0": 70, "1": 12, "2": 18}))
    if pressure == "creeper":
        mugged = 0
    call = Call(
        kind=kind, formation=formation, strong=int(rng.choice([-1, 1])), gun=draw_gun(rng, formation, level),
        front=front, coverage=coverage, shell=shell, rushers=rushers, pressure=pressure, mugged=mugged,
        motion=motion, response=response, hold=bool(rng.random() < 0.6), shift=bool(rng.random() < 0.08),
        hash=pick(rng, {"near": 33, "far": 33, "middle": 16, "between": 18}),
        direction=int(rng.choice([-1, 1])), los=None,
        improvise=o.get("pressure") is None and o.get("rushers") is None,
    )  # fmt: skip
    direct = ("strong", "gun", "shell", "hold", "shift", "hash", "direction", "los", "improvise")
    return replace(call, **{k: o[k] for k in direct if o.get(k) is not None})

"""Who changes the rush after the snap: men who add to it, edges who peel off it, and who counts in the end."""

from __future__ import annotations

from functools import partial

from models.training.playbook.outcome import Outcome, Scene
from models.training.playbook.sim import Event, Sim

PEEL = 0.15  # of man-to-man calls in which an edge takes a back who leaves on his side. Common practice, no source


def late_changes(s: Scene, out: Outcome) -> list[Event]:
    """Men whose back stays in add to the rush; an edge peels off with a back who leaves on his side."""
    if not s.call.improvise:
        out.late_rush.clear()
        return []
    rng, n = s.rng, s.n_off
    events: list[Event] = [
        (rng.uniform(0.55, 0.95), partial(_join, j=i, passer=s.passer, speed=5.6)) for i in sorted(out.late_rush)
    ]
    if not s.call.man or s.call.kind == "screen" or rng.random() >= PEEL:
        return events
    for i in sorted(out.routes):
        m = s.offense[i]
        edges = [j for j in out.rushers if s.defense[j - n].position == "edge" and s.men[j].across * m.across > 0]
        if m.position == "back" and edges and len(out.rushers) > 3 and i not in out.checked:
            out.peeled.add(edges[0])
            events.append((rng.uniform(0.4, 0.7), partial(_peel, j=edges[0], back=i)))
            break
    return events


def _join(q: Sim, j: int, passer: int, speed: float) -> None:
    q.follow(j, passer, lead=0.5)
    q.speed[j] = speed


def _peel(q: Sim, j: int, back: int) -> None:
    q.release(j)
    q.follow(j, back, offset=(1.2, 0.0), lag=5)
    q.speed[j] = 6.5


def count_rush(s: Scene, sim: Sim, out: Outcome) -> None:
    """Who attacked the passer by about 1.5 s (DESIGN section 4): late men who got to the line count, and of those
    who peeled off with a back the ones who crossed it first."""
    k = min(round(1.5 / sim.dt), len(sim.hist) - 1)
    out.rushers = {j for j in out.rushers if j not in out.peeled or sim.hist[k, j, 0] < -0.5}
    out.rushers |= {j for j in out.late_rush if sim.hist[k, j, 0] < 0.5}

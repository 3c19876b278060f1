"""The people finder trained further on frames of checked rows, and measured on those held back.

The loss is the usual one of one-stage detectors, written on what the network gives out (boxes in px, scores, points):
candidates are assigned to people by score and overlap (task-aligned assignment, C. Feng et al., 2021), boxes learn by
distance-aware overlap (Z. Zheng et al., 2020), scores by cross-entropy against how well they fit, points by their
similarity in units of the person's size. People nobody judged ask for nothing and cost nothing.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from pipeline import models
from pipeline.learn.frames import LearnFrame, People2d
from pipeline.learn.graph import Graph
from pipeline.people import Finder
from pipeline.people.decode import STRIDE, overlap, to_input
from pipeline.records import ROLES
from pipeline.stats import wilson

LARGEST_GRADIENT = 10.0
RATE, TRUNK_SHARE = 2e-4, 0.1  # of the head; share of it for the first half of the layers
HOME = 1e-3  # pull towards the weights it started from: few frames must not undo many
ASSIGNED = 10  # candidates a person
SIGMA = (0.20, 0.15)  # ground point, head: length scale of the point loss, as the shipped finder was trained with
GAIN_BOX, GAIN_SCORE, GAIN_POINT = 7.5, 0.5, 6.0
MATCH = 0.5  # overlap of a find with a person that counts as found
IGNORED_OVERLAP = 0.3  # a find this near a person nobody judged is not counted against the finder


@dataclass(frozen=True)
class Measured:
    """Judged people of held-back frames: how many, found with the right role, and finds that are nobody's."""

    frames: int
    people: int
    found: int
    extra: int

    @property
    def recall(self) -> float:
        return self.found / self.people if self.people else math.nan

    @property
    def precision(self) -> float:
        made = self.found + self.extra
        return self.found / made if made else math.nan

    @property
    def score(self) -> float:
        """Harmonic mean of both, 0 where there is nothing."""
        both = self.recall + self.precision
        return 2 * self.recall * self.precision / both if both > 0 else 0.0

    def text(self) -> str:
        """Both figures with counts and 95 % intervals (Wilson)."""
        said = []
        for name, hits, n in (("recall", self.found, self.people), ("precision", self.found, self.found + self.extra)):
            low, high = wilson(hits, n)
            said.append(f"{name} {100 * hits / max(n, 1):.1f} % of {n} ({100 * low:.1f} to {100 * high:.1f})")
        return ", ".join(said)


def measure(network: models.Network, frames: Sequence[LearnFrame], settings: dict[str, Any]) -> Measured:
    """Count over frames. settings: of the finder's manifest entry."""
    chosen = {k: settings[k] for k in ("confidence", "width_px") if k in settings}
    finder = Finder(network=network, kit=False, **chosen)
    people = found = extra = 0
    for frame in frames:
        finds, truth = finder.find(frame.image), frame.people
        near = overlap(finds.box_px, truth.box_px) if len(finds) and len(truth) else np.zeros((len(finds), len(truth)))
        taken = np.zeros(len(truth), bool)
        for i in range(len(finds)):  # surest first
            fits = np.where(taken | ~truth.sure | (truth.role != finds.role[i]), 0.0, near[i])
            if len(fits) and fits.max() >= MATCH:
                taken[int(fits.argmax())] = True
            elif not (len(fits) and (near[i][~truth.sure] >= IGNORED_OVERLAP).any()):
                extra += 1
        people += int(truth.sure.sum())
        found += int(taken.sum())
    return Measured(len(frames), people, found, extra)


def fit(
    data: bytes, frames: Sequence[LearnFrame], *, width_px: int, seconds: float, most_steps: int = 4000, seed: int = 0,
    batch: int = 2, tell: Callable[[str], None] = lambda text: None,
) -> bytes:
    """ONNX bytes of the network after learning from frames for so many seconds or steps, whichever ends first."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(seed)
    graph = Graph(data).to(device)
    names = graph.order()
    home = {n: graph.weights[n].detach().clone() for n in names}
    groups = [
        {"params": [graph.weights[n] for n in part], "peak": rate, "lr": 0.0}
        for part, rate in ((names[: len(names) // 2], RATE * TRUNK_SHARE), (names[len(names) // 2 :], RATE))
    ]
    optimizer = torch.optim.AdamW(groups, lr=0.0, weight_decay=0.0)
    rng = np.random.default_rng(seed)
    begun, said = time.monotonic(), time.monotonic()
    for step in range(most_steps):
        done = max((time.monotonic() - begun) / seconds, step / most_steps)
        if done >= 1:
            break
        for group in optimizer.param_groups:
            group["lr"] = group["peak"] * min(1.0, done / 0.05 + 0.02) * (1 + math.cos(math.pi * done)) / 2
        loss = torch.zeros((), device=device)
        for frame in rng.choice(len(frames), batch):
            x, people = drawn(frames[int(frame)], width_px, rng)
            loss = loss + frame_loss(graph(torch.from_numpy(x).to(device))[0].float(), people) / batch
        pull = sum(((graph.weights[n] - home[n]) ** 2).sum() for n in names)
        optimizer.zero_grad(set_to_none=True)
        (loss + HOME * pull).backward()
        norm = torch.nn.utils.clip_grad_norm_(graph.parameters(), LARGEST_GRADIENT)
        if torch.isfinite(norm):
            optimizer.step()
        if time.monotonic() - said > 20:
            said = time.monotonic()
            tell(f"finder: step {step + 1}, loss {float(loss.detach()):.3f}, {100 * done:.0f} % of the time")
    return graph.to_bytes()


def drawn(frame: LearnFrame, width_px: int, rng: np.random.Generator) -> tuple[NDArray[np.float32], People2d]:
    """A frame as it is shown to the network once: mirrored or not, a little lighter or darker, cut and scaled."""
    image, p = frame.image, frame.people
    h, w = image.shape[:2]
    keep = rng.uniform(0.7, 1.0)
    x0, y0 = int(rng.uniform(0, (1 - keep) * w)), int(rng.uniform(0, (1 - keep) * h))
    image = np.asarray(image[y0 : y0 + max(STRIDE, int(keep * h)), x0 : x0 + max(STRIDE, int(keep * w))], np.uint8)
    shift = np.array([x0, y0], np.float32)
    box, ground, head = p.box_px - np.tile(shift, 2), p.ground_px - shift, p.head_px - shift
    h, w = image.shape[:2]
    if rng.random() < 0.5:
        image = image[:, ::-1]
        box = np.stack([w - 1 - box[:, 2], box[:, 1], w - 1 - box[:, 0], box[:, 3]], 1)
        ground, head = (np.stack([w - 1 - q[:, 0], q[:, 1]], 1) for q in (ground, head))
    light, lift = rng.uniform(0.8, 1.2), rng.uniform(-14, 14)
    worn = np.asarray(cv2.convertScaleAbs(np.ascontiguousarray(image), alpha=light, beta=lift), np.uint8)
    x, scale = to_input(worn, width_px)
    clipped = np.clip(box, [-0.5, -0.5, -0.5, -0.5], [w - 0.5, h - 0.5, w - 0.5, h - 0.5])
    area, whole = ((b[:, 2] - b[:, 0]).clip(0) * (b[:, 3] - b[:, 1]).clip(0) for b in (clipped, box))
    inside = area > 0.35 * np.maximum(whole, 1e-6)
    return x, People2d(
        ((clipped + 0.5) * scale)[inside].astype(np.float32), p.role[inside],
        ((ground + 0.5) * scale)[inside].astype(np.float32), ((head + 0.5) * scale)[inside].astype(np.float32),
        p.sure[inside],
    )  # fmt: skip


def frame_loss(out: Tensor, people: People2d) -> Tensor:
    """Loss of one picture. out: (4 + roles + 6, candidates), px of the input."""
    roles = len(ROLES)
    center, size = out[:2].T, out[2:4].T
    boxes = torch.cat([center - size / 2, center + size / 2], 1)
    scores = out[4 : 4 + roles].T.clamp(1e-6, 1 - 1e-6)
    points = out[4 + roles :].T.reshape(-1, 2, 3)[:, :, :2]
    truth = torch.from_numpy(people.box_px).to(out)
    role = torch.from_numpy(people.role).to(out.device)
    sure = torch.from_numpy(people.sure).to(out.device)
    if not len(truth):
        return -torch.log1p(-scores).sum() * GAIN_SCORE
    near = _overlap(boxes, truth)
    owner, quality = assign(scores.detach(), boxes.detach(), near.detach(), role, truth)
    taken = owner >= 0
    mine = owner.clamp(min=0)
    wanted = torch.zeros_like(scores)
    wanted[taken, role[mine][taken]] = quality[taken].to(wanted)
    open_to_all = taken & ~sure[mine]  # a find of somebody nobody judged stays as it is
    open_to_all |= (near.detach() * ~sure).amax(1) > MATCH
    wanted = torch.where(open_to_all[:, None], scores.detach(), wanted)
    total = wanted[taken & sure[mine]].sum().clamp(min=1.0)
    entropy = -(wanted * scores.log() + (1 - wanted) * torch.log1p(-scores))
    floor = -(wanted * wanted.clamp(1e-6, 1).log() + (1 - wanted) * torch.log1p(-wanted.clamp(max=1 - 1e-6)))
    loss = GAIN_SCORE * (entropy - floor).sum() / total
    learn = taken & sure[mine]
    if learn.any():
        weight = quality[learn]
        loss = loss + GAIN_BOX * ((1 - _distance_overlap(boxes[learn], truth[mine[learn]])) * weight).sum() / total
        spots = torch.stack([torch.from_numpy(people.ground_px), torch.from_numpy(people.head_px)], 1).to(out)
        apart = _apart(points[learn], spots[mine[learn]], truth[mine[learn]])
        loss = loss + GAIN_POINT * (apart * weight).sum() / total
    return loss


def assign(scores: Tensor, boxes: Tensor, near: Tensor, role: Tensor, truth: Tensor) -> tuple[Tensor, Tensor]:
    """Owner (person or -1) and quality 0..1 of every candidate."""
    center = (boxes[:, :2] + boxes[:, 2:]) / 2
    inside = ((center[:, None] > truth[None, :, :2]) & (center[:, None] < truth[None, :, 2:])).all(2)
    fit = scores[:, role].sqrt() * near**6 * inside
    best, which = fit.topk(min(ASSIGNED, len(fit)), 0)
    chosen = torch.zeros_like(fit).scatter_(0, which, (best > 1e-9).to(fit.dtype)) > 0
    held = torch.where(chosen, near, torch.full_like(near, -1.0))
    value, owner = held.max(1)
    owner = torch.where(value > 0, owner, torch.full_like(owner, -1))
    top = torch.where(chosen, fit, torch.zeros_like(fit)).amax(0).clamp(min=1e-9)
    reach = torch.where(chosen, near, torch.zeros_like(near)).amax(0)
    mine = owner.clamp(min=0)
    rows = torch.arange(len(fit), device=fit.device)
    quality = (fit[rows, mine] / top[mine] * reach[mine]).clamp(0, 1)
    return owner, torch.where(owner >= 0, quality, torch.zeros_like(quality))


def _overlap(a: Tensor, b: Tensor) -> Tensor:
    low, high = torch.maximum(a[:, None, :2], b[None, :, :2]), torch.minimum(a[:, None, 2:], b[None, :, 2:])
    inter = (high - low).clamp(min=0).prod(2)
    area_a, area_b = ((q[:, 2:] - q[:, :2]).clamp(min=0).prod(1) for q in (a, b))
    return inter / (area_a[:, None] + area_b[None] - inter).clamp(min=1e-6)


def _distance_overlap(a: Tensor, b: Tensor) -> Tensor:
    """Overlap less the squared distance of the centres over that of the hull's corners; less what the shapes differ."""
    low, high = torch.maximum(a[:, :2], b[:, :2]), torch.minimum(a[:, 2:], b[:, 2:])
    inter = (high - low).clamp(min=0).prod(1)
    size_a, size_b = (a[:, 2:] - a[:, :2]).clamp(min=1e-3), (b[:, 2:] - b[:, :2]).clamp(min=1e-3)
    iou = inter / (size_a.prod(1) + size_b.prod(1) - inter).clamp(min=1e-6)
    hull = torch.maximum(a[:, 2:], b[:, 2:]) - torch.minimum(a[:, :2], b[:, :2])
    apart = ((a[:, :2] + a[:, 2:] - b[:, :2] - b[:, 2:]) ** 2).sum(1) / 4
    turn = (4 / math.pi**2) * (torch.atan(size_b[:, 0] / size_b[:, 1]) - torch.atan(size_a[:, 0] / size_a[:, 1])) ** 2
    share = (turn / (1 - iou + turn).clamp(min=1e-6)).detach()
    return iou - apart / (hull**2).sum(1).clamp(min=1e-6) - share * turn


def _apart(points: Tensor, spots: Tensor, box: Tensor) -> Tensor:
    """(N,) 1 - similarity of the two points (key point similarity of the COCO evaluation, sigma as SIGMA)."""
    area = (box[:, 2:] - box[:, :2]).clamp(min=1).prod(1)
    sigma = torch.tensor(SIGMA, device=points.device)
    square = ((points - spots) ** 2).sum(2)
    e = square / ((2 * sigma) ** 2 * area[:, None] * 2)
    return (1 - torch.exp(-e)).mean(1)

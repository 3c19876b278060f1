"""The finder: input and decoding, removal of doubles, cut flags, kit colours, and the whole on a made-up network."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ConfigError, ModelError, ShapeError
from pipeline.people import KIT_FEATURES, Finder
from pipeline.people import decode as d


def found(boxes: Any, confidence: Any = None, head: Any = None, ground: Any = None, role: int = 0) -> d.Found:
    """Finds whose head is at the top and ground point at the bottom of the box unless given."""
    b = np.asarray(boxes, np.float32).reshape(-1, 4)
    n = len(b)
    score = np.zeros((n, 3), np.float32)
    score[:, role] = np.linspace(0.9, 0.3, n) if confidence is None else confidence
    middle = (b[:, 0] + b[:, 2]) / 2
    top = np.stack([middle, b[:, 1] + 5], 1) if head is None else np.asarray(head, np.float32)
    foot = np.stack([middle, b[:, 3]], 1) if ground is None else np.asarray(ground, np.float32)
    return d.Found(b, score, foot.astype(np.float32), top.astype(np.float32))


@given(st.integers(200, 2000), st.integers(200, 2000), st.integers(320, 1280))
@settings(max_examples=30, deadline=None)
def test_input_keeps_aspect_and_pads(w: int, h: int, width: int) -> None:
    x, scale = d.to_input(np.full((h, w, 3), 255, np.uint8), width)
    assert x.shape[2] % d.STRIDE == 0 and x.shape[3] % d.STRIDE == 0
    assert max(round(w * scale), round(h * scale)) == width
    assert x[0, :, 0, 0].tolist() == [1.0, 1.0, 1.0]
    if x.shape[2] > round(h * scale):
        assert np.allclose(x[0, :, -1, 0], d.PAD / 255)


def test_input_is_rgb() -> None:
    image = np.zeros((64, 64, 3), np.uint8)
    image[..., 0] = 255  # blue in OpenCV's order
    x, _ = d.to_input(image, 64)
    assert x[0, :, 5, 5].tolist() == [0.0, 0.0, 1.0]


def row(cx: float, cy: float, w: float, h: float, scores: tuple[float, float, float], g: Any, hd: Any) -> list[float]:
    return [cx, cy, w, h, *scores, *g, 1.0, *hd, 1.0]


def test_decode_places_pixels() -> None:
    """A pixel's middle in a picture twice the input's size comes back where it was, whatever the part's place."""
    out = np.array([row(10, 20, 8, 16, (0.1, 0.8, 0.05), (10, 28), (10, 13))], np.float32).T[None]
    f = d.decode(out, 0.5, 0.3, (100, 0))
    assert f.role.tolist() == [1] and f.confidence[0] == pytest.approx(0.8)
    assert f.box_px[0].tolist() == [111.5, 23.5, 127.5, 55.5]
    assert f.ground_px[0].tolist() == [119.5, 55.5] and f.head_px[0].tolist() == [119.5, 25.5]
    assert len(d.decode(out, 0.5, 0.9).score) == 0
    assert np.array_equal(d.decode(out.transpose(0, 2, 1), 0.5, 0.3, (100, 0)).box_px, f.box_px)


def test_input_and_decode_are_inverse() -> None:
    """A bright pixel block found at its centroid in the input maps back to its place in the picture."""
    image = np.zeros((360, 640, 3), np.uint8)
    image[120:124, 300:308] = 255
    x, scale = d.to_input(image, 1280)
    ys, xs = np.nonzero(x[0, 0, :720] > 0.5)
    cx, cy = xs.mean() + 0.5, ys.mean() + 0.5  # corner-based, as the network counts
    out = np.array([row(cx, cy, 16, 8, (0.9, 0, 0), (cx, cy), (cx, cy))], np.float32)[None]
    f = d.decode(out, scale, 0.5)
    assert np.allclose(f.ground_px[0], [303.5, 121.5], atol=0.3)


def test_decode_refuses_other_networks() -> None:
    with pytest.raises(ModelError, match="values a candidate"):
        d.decode(np.zeros((1, 84, 100), np.float32), 1.0, 0.3)


def test_overlap_against_counting_pixels() -> None:
    """IoU against counted pixels of drawn rectangles (outside check: plain counting)."""
    rng = np.random.default_rng(1)
    for _ in range(20):
        a, b = (np.sort(rng.integers(0, 40, (2, 2)), 0).reshape(-1) for _ in range(2))
        canvas = [np.zeros((40, 40), bool) for _ in range(2)]
        for m, q in zip(canvas, (a, b), strict=True):
            m[q[1] : q[3], q[0] : q[2]] = True
        union = (canvas[0] | canvas[1]).sum()
        want = (canvas[0] & canvas[1]).sum() / union if union else 0.0
        got = d.overlap(a[None].astype(np.float32), b[None].astype(np.float32))[0, 0]
        assert got == pytest.approx(want, abs=1e-6)


def test_doubles_whole_and_part_are_one() -> None:
    whole, part = [100, 100, 130, 174], [100, 100, 130, 138]  # the same helmet, a box of half the body
    f = found([whole, part], head=[[115, 106], [116, 107]], ground=[[115, 173], [113, 169]])
    assert len(d.remove_doubles(f).score) == 1


@pytest.mark.parametrize(("second", "stay"), [(0.6, 2), (0.3, 1)])
def test_men_in_a_pile_stay_where_both_are_sure(second: float, stay: int) -> None:
    """Two linemen overlap by two thirds but their helmets are 15 px apart: both stay, unless one is hardly sure."""
    boxes = [[100, 100, 145, 150], [108, 102, 153, 152]]
    f = found(boxes, head=[[108, 108], [123, 110]], ground=[[120, 149], [132, 151]], confidence=[0.8, second])
    assert d.overlap(f.box_px, f.box_px)[0, 1] > 0.6
    assert len(d.remove_doubles(f).score) == stay


@pytest.mark.parametrize(("away", "stay"), [(9, 1), (16, 2)])
def test_an_unsure_find_beside_a_sure_one_must_stand_apart(away: int, stay: int) -> None:
    boxes = [[100, 100, 130, 174], [100 + away, 100, 130 + away, 174]]
    f = found(boxes, head=[[115, 106], [115 + away, 106]], ground=[[115, 173], [115 + away, 173]],
              confidence=[0.8, 0.4])  # fmt: skip
    assert len(d.remove_doubles(f).score) == stay
    f.score[1, 0] = 0.6
    assert len(d.remove_doubles(f).score) == 2


def test_one_box_twice_is_one_and_the_surer_stays() -> None:
    f = found([[100, 100, 130, 174], [101, 101, 131, 175]], confidence=[0.4, 0.7], role=1)
    kept = d.remove_doubles(f)
    assert kept.confidence.tolist() == pytest.approx([0.7]) and kept.role.tolist() == [1]


def test_nobody_found() -> None:
    assert len(d.remove_doubles(found(np.zeros((0, 4)))).score) == 0


def test_many_candidates_a_man_do_not_crowd_out_the_unsure() -> None:
    """A network gives some twenty candidates a man; forty men's are more than any bound on people."""
    rng = np.random.default_rng(0)
    boxes, confidence = [], []
    for man in range(40):
        base = np.array([30.0 * man, 100, 30.0 * man + 20, 150])
        boxes += [base + rng.normal(0, 0.3, 4) for _ in range(25)]
        confidence += [0.9 - 0.015 * man] * 25
    f = found(boxes)
    f.score[:, 0] = confidence
    kept = d.remove_doubles(f)
    assert len(kept.score) == 40
    assert kept.confidence.min() == pytest.approx(0.9 - 0.015 * 39)


@given(st.permutations(range(8)))
@settings(max_examples=20, deadline=None)
def test_doubles_do_not_depend_on_order(order: list[int]) -> None:
    rng = np.random.default_rng(3)
    at = rng.uniform(0, 120, (8, 2))
    f = found(np.concatenate([at, at + [28, 70]], 1), confidence=np.linspace(0.9, 0.2, 8))
    a, b = d.remove_doubles(f), d.remove_doubles(f.take(np.array(order)))
    assert np.array_equal(a.box_px, b.box_px)


def test_cut_by_edge() -> None:
    f = found(
        [[0, 100, 20, 170], [300, 100, 330, 170], [620, 100, 640, 170], [300, 300, 330, 359]],
        ground=[[10, 169], [315, 169], [630, 169], [315, 380]],
    )
    assert d.cut_by_edge(f, 640, 360).tolist() == [True, False, True, True]


class Painted:
    """A made-up network: finds every red rectangle of the picture (exact boxes), so the whole finder can be run."""

    def __call__(self, x: np.ndarray) -> list[np.ndarray]:
        red = (x[0, 0] > 0.7) & (x[0, 1] < 0.3)
        _, _, stats, _ = cv2.connectedComponentsWithStats(red.astype(np.uint8))
        rows = []
        for left, top, w, h, _ in stats[1:]:
            cx = left + w / 2
            rows.append(row(cx, top + h / 2, w, h, (0.9, 0.05, 0.05), (cx, top + h), (cx, top + 0.1 * h)))
        return [np.array(rows, np.float32).reshape(-1, d.COLUMNS).T[None]]


def picture() -> np.ndarray:
    image = np.full((360, 640, 3), (60, 130, 70), np.uint8)
    for x in (50, 300, 590):
        image[150:220, x : x + 24] = (20, 20, 230)
    return image


@pytest.mark.parametrize("passes", ["whole", "tiles", "both"])
def test_finder_with_every_pass(passes: str) -> None:
    people = Finder(network=Painted(), passes=passes, width_px=1280).find(picture())
    assert len(people) == 3 and people.kit.shape == (3, len(KIT_FEATURES))
    boxes = people.box_px[np.argsort(people.box_px[:, 0])]
    assert np.allclose(boxes[:, 0], [49.5, 299.5, 589.5], atol=1.0)
    assert np.allclose(boxes[:, 3], 219.5, atol=1.0)
    assert not people.cut.any() and (people.role == 0).all()


def test_finder_empty_picture() -> None:
    people = Finder(network=Painted()).find(np.zeros((90, 160, 3), np.uint8))
    assert len(people) == 0 and people.kit.shape == (0, len(KIT_FEATURES))


def test_finder_bad_arguments(tmp_path: Path) -> None:
    with pytest.raises(ShapeError):
        Finder(network=Painted()).find(np.zeros((90, 160), np.uint8))
    with pytest.raises(ConfigError, match="passes"):
        Finder(network=Painted(), passes="three")
    with pytest.raises(ConfigError, match="confidence"):
        Finder(network=Painted(), confidence=1.5)
    with pytest.raises(ConfigError, match="width_px"):
        Finder(network=Painted(), width_px=10)
    with pytest.raises(ModelError, match="manifest"):
        Finder(tmp_path)


def test_kit_colours_of_a_drawn_man() -> None:
    """Drawn patches against OpenCV's own Lab of the drawn colours; grass between the limbs must not count."""
    image = np.full((200, 200, 3), (60, 130, 70), np.uint8)
    torso, trousers, helmet = (200, 40, 30), (235, 235, 235), (20, 20, 200)
    cv2.circle(image, (100, 50), 7, helmet, -1)
    image[58:88, 90:111] = torso
    image[88:112, 92:98] = trousers
    image[88:112, 103:109] = trousers
    people = d.Found(
        np.array([[88, 42, 112, 132]], np.float32), np.ones((1, 3), np.float32),
        np.array([[100, 130]], np.float32), np.array([[100, 50]], np.float32),
    )  # fmt: skip
    from pipeline.people.kit import kit_colours

    kit = dict(zip(KIT_FEATURES, kit_colours(image, people.box_px, people.ground_px, people.head_px)[0], strict=True))
    for name, bgr in (("torso", torso), ("trousers", trousers), ("helmet", helmet)):
        want = cv2.cvtColor(np.array([[bgr]], np.float32) / 255, cv2.COLOR_BGR2Lab)[0, 0]
        got = [kit[f"{name}_{c}"] for c in "Lab"]
        assert np.allclose(got, want, atol=2.0), name
    assert kit["torso_L_spread"] < 3 and kit["torso_share"] > 0.8


def test_kit_of_stripes_spreads() -> None:
    """An official's vertical black and white stripes give a large spread of lightness."""
    image = np.full((200, 200, 3), (60, 130, 70), np.uint8)
    image[42:130, 86:115] = 240
    image[42:130, 86:115:4] = 15
    image[42:130, 87:115:4] = 15
    from pipeline.people.kit import kit_colours

    box, ground, head = (np.array([v], np.float32) for v in ([86, 42, 115, 130], [100, 130], [100, 50]))
    kit = kit_colours(image, box, ground, head)[0]
    assert kit[KIT_FEATURES.index("torso_L_spread")] > 60


def test_two_passes_agree_man_by_man() -> None:
    """Neighbours in a pile stay two though each pass puts their points a little elsewhere; a find of one pass alone
    counts for half."""
    boxes = np.array([[100, 100, 130, 174], [118, 100, 148, 174]], float)
    a = found(boxes, confidence=[0.8, 0.6])
    b = found(np.concatenate([boxes + 5, [[400, 100, 430, 174]]]), confidence=[0.6, 0.8, 0.6])
    made = d.agree(a, b)
    assert len(made.score) == 3
    assert made.confidence.tolist() == pytest.approx([0.7, 0.7, 0.3])
    assert made.box_px[:, 0].max() == pytest.approx(400)
    assert sorted(made.box_px[:2, 0].tolist()) == pytest.approx([102.5, 120.5])
    none = found(np.zeros((0, 4)))
    assert len(d.agree(a, none).score) == 2 and len(d.agree(none, none).score) == 0


def test_faint_finds_are_kept_apart() -> None:
    from pipeline.people.looks import both, look

    class Unsure(Painted):
        def __call__(self, tensor: np.ndarray) -> list[np.ndarray]:
            out = super().__call__(tensor)[0].copy()
            columns = out[0] if out.shape[1] == d.COLUMNS else out[0].T
            columns[4 : 4 + 3] *= np.where(np.arange(columns.shape[1]) == 0, 0.2 / columns[4 : 4 + 3].max(), 1.0)
            return [out]

    finder = Finder(network=Unsure(), confidence=0.3)
    sure, faint = look(finder, picture())
    assert len(sure) == 2 and len(faint) == 1
    assert len(finder.find(picture())) == 2
    assert len(both(sure, faint)) == 3 and both(sure, faint).confidence[-1] < 0.3

"""Stills: any common picture file in, the two tables out."""

from __future__ import annotations

import csv
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

import pipeline.tools
from pipeline import locate
from pipeline.cli import app
from pipeline.errors import InputError, NotVideoError
from tests import program_support as support

RUN = CliRunner()


@pytest.fixture(autouse=True)
def stand_ins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipeline.tools, "load", lambda config, still=False: support.known_tools())


def picture() -> np.ndarray:
    image = np.full((support.HEIGHT, support.WIDTH, 3), (70, 130, 80), np.uint8)
    image[:40] = (10, 20, 200)
    return image


def table(path: Path) -> list[dict[str, str]]:
    with open(path, encoding="utf-8-sig", newline="") as f:
        return list(csv.DictReader(f))


def test_tables_and_overlay(tmp_path: Path) -> None:
    Image.fromarray(picture()[:, :, ::-1]).save(tmp_path / "still.png")
    out = tmp_path / "out"
    result = RUN.invoke(app, ["locate", str(tmp_path / "still.png"), "--out", str(out), "--field", "college"])
    assert result.exit_code == 0, result.output
    players = table(out / "players.csv")
    truth, team = support.formation()
    xy = np.array([[float(r["x_yd"]), float(r["y_yd"])] for r in players if r["role"] == "player"])
    gap = np.linalg.norm(truth[:, None] - xy[None], axis=2)
    assert len(xy) == 22 and gap.min(1).max() < 0.02
    sides = [r["side"] for r in players if r["role"] == "player"]
    assert [sides[j] for j in gap.argmin(1)] == ["defense" if t else "offense" for t in team]
    assert [r["side"] for r in players if r["role"] == "official"] == ["unknown"]
    (row,) = table(out / "registration.csv")
    assert row["status"] == "ok" and row["absolute_x_known"] == "true" and row["image"] == "still.png"
    h = np.array([[float(row[f"h{r}{c}"]) for c in (1, 2, 3)] for r in (1, 2, 3)])
    px = support.CAMERA.ground_to_px(truth[0])
    assert (h @ [*px, 1])[:2] / (h @ [*px, 1])[2] == pytest.approx(truth[0], abs=0.01)
    assert cv2.imread(str(next((out / "pictures").iterdir()))).shape[1] >= 640


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.webp", "a.bmp", "a.tif"])
def test_formats(name: str, tmp_path: Path) -> None:
    Image.fromarray(picture()[:, :, ::-1]).save(tmp_path / name)
    image = locate.read_picture(tmp_path / name)
    assert image.shape == picture().shape and np.abs(image.astype(int) - picture())[200:].max() < 12


def test_grey_deep_and_transparent_pictures(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "deep.png"), np.full((40, 60), 257 * 100, np.uint16))
    Image.new("L", (60, 40), 100).save(tmp_path / "grey.png")
    Image.new("RGBA", (60, 40), (200, 100, 50, 255)).save(tmp_path / "clear.png")
    for name, value in (("deep.png", 100), ("grey.png", 100)):
        assert np.unique(locate.read_picture(tmp_path / name)).tolist() == [value]
    assert locate.read_picture(tmp_path / "clear.png")[0, 0].tolist() == [50, 100, 200]


def test_turned_by_its_metadata(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # Exif 2.3, Orientation: turn 90 degrees clockwise to show
    Image.fromarray(picture()[:, :, ::-1]).save(tmp_path / "t.jpg", exif=exif)
    image = locate.read_picture(tmp_path / "t.jpg")
    assert image.shape[:2] == (support.WIDTH, support.HEIGHT)
    assert locate.file_size_px(tmp_path / "t.jpg") == (support.HEIGHT, support.WIDTH)
    assert image[100, -5, 2] > 150  # the red top edge is on the right now


def test_huge_picture_is_looked_at_smaller_and_reported_in_its_own_pixels(tmp_path: Path) -> None:
    big = cv2.resize(picture(), (10240, 5760), interpolation=cv2.INTER_NEAREST)
    cv2.imwrite(str(tmp_path / "big.jpg"), big)
    seen: list[tuple[int, ...]] = []
    tools = support.known_tools()

    def find(image: np.ndarray) -> object:
        seen.append(image.shape)
        return support.people()

    tools.finder.find = find  # type: ignore[method-assign]
    from pipeline import config

    rows, _, _ = locate.locate_one(
        locate.Still(tmp_path / "big.jpg", "big.jpg"), tmp_path / "out", config.load(), tools
    )
    assert seen[0][1] <= locate.WORK_WIDTH_PX
    scale = 10240 / seen[0][1]
    assert rows[0]["ground_x_px"] == pytest.approx(float(support.people().ground_px[0, 0]) * scale, rel=1e-5)


def test_no_picture_damaged_and_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.jpg").write_text("words", encoding="utf-8")
    with pytest.raises(NotVideoError, match="Not a picture"):
        locate.read_picture(tmp_path / "a.jpg")
    data = cv2.imencode(".png", np.random.default_rng(0).integers(0, 255, (200, 200, 3), np.uint8))[1].tobytes()
    (tmp_path / "cut.png").write_bytes(data[: len(data) // 2])
    with pytest.raises(NotVideoError, match="damaged"):
        locate.read_picture(tmp_path / "cut.png")
    monkeypatch.setattr(locate, "MAX_PIXELS", 1000)
    Image.new("L", (200, 200)).save(tmp_path / "large.png")
    with pytest.raises(InputError, match="too large"):
        locate.read_picture(tmp_path / "large.png")


def test_one_bad_picture_does_not_stop_the_others(tmp_path: Path) -> None:
    Image.fromarray(picture()).save(tmp_path / "b.png")
    (tmp_path / "a.png").write_text("words", encoding="utf-8")
    out = tmp_path / "out"
    result = RUN.invoke(app, ["locate", str(tmp_path / "a.png"), str(tmp_path / "b.png"), "--out", str(out)])
    assert result.exit_code == 3 and "a.png" in result.stdout and "failures.csv" in result.stderr
    assert [r["status"] for r in table(out / "registration.csv")] == ["failed", "ok"]
    assert {r["image"] for r in table(out / "players.csv")} == {"b.png"}
    assert [r["file"] for r in table(out / "failures.csv")] == ["a.png"]
    only = RUN.invoke(app, ["locate", str(tmp_path / "a.png"), "--out", str(out)])
    assert only.exit_code == 1


@pytest.mark.parametrize("option", [("--field", "collage"), ("--view", "drone")])
def test_unknown_choices_are_usage(option: tuple[str, str], tmp_path: Path) -> None:
    Image.fromarray(picture()).save(tmp_path / "b.png")
    result = RUN.invoke(app, ["locate", str(tmp_path / "b.png"), "--out", str(tmp_path / "o"), *option])
    assert result.exit_code == 2 and option[1] in result.stderr and "Hint:" in result.stderr


def test_field_not_found_leaves_yards_and_side_blank(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipeline.tools, "load", lambda config, still=False: support.known_tools(status="abstained"))
    Image.fromarray(picture()).save(tmp_path / "b.png")
    out = tmp_path / "out"
    assert RUN.invoke(app, ["locate", str(tmp_path / "b.png"), "--out", str(out)]).exit_code == 0
    (row,) = table(out / "registration.csv")
    assert row["status"] == "abstained" and row["h11"] == ""
    players = table(out / "players.csv")
    assert len(players) == 23 and all(r["x_yd"] == "" and r["side"] == "unknown" for r in players)


def test_a_person_found_twice_is_listed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.records import People

    once = support.people()
    again = [2, 13]  # a second, smaller box on two of them
    box = np.concatenate([once.box_px, once.box_px[again] + np.float32([2, 3, -2, -1])])
    more = {f: np.concatenate([getattr(once, f), getattr(once, f)[again]])
            for f in ("role", "confidence", "ground_px", "head_px", "cut", "kit")}  # fmt: skip
    more["confidence"][-2:] = 0.3
    twice = People(once.width_px, once.height_px, box, **more)
    registration = support.KnownRegistrar().register(None)
    told = locate.tell(twice, registration)
    assert len(once) - 1 <= told.keep.sum() <= len(once) and not told.keep[-2:].any()
    assert locate.tell(once, registration).keep.all()


def test_a_faint_find_counts_where_its_side_is_short_and_it_is_as_tall_as_a_man() -> None:
    """Eleven a side (rulebooks): the eleventh found faintly at his place counts, a faint spot elsewhere does not."""
    from dataclasses import replace

    from pipeline.people.looks import subset

    everybody = support.people()
    registration = support.KnownRegistrar().register(None)
    last = len(everybody) - 1
    order = np.r_[np.setdiff1d(np.arange(len(everybody)), [12]), 12]
    people = subset(everybody, order)
    confidence = people.confidence.copy()
    confidence[last] = 0.15
    people = replace(people, confidence=confidence)
    assert locate.tell(people, registration, last).keep[last]
    short = people.box_px.copy()
    short[last, 1] = short[last, 3] - 0.3 * (short[last, 3] - short[last, 1])  # a third of a man's height
    assert not locate.tell(replace(people, box_px=short), registration, last).keep[last]
    lost = replace(registration, status="abstained", camera=None)
    assert not locate.tell(people, lost, last).keep[last]

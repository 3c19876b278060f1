"""The report: counts against counts made another way, intervals against scipy, links, hostile names, print."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import pytest
from scipy.stats import binomtest
from typer.testing import CliRunner, Result

from pipeline import ledger
from pipeline.audit.events import NewEvent
from pipeline.audit.store import AuditStore
from pipeline.cli import app
from pipeline.report import counting, make, plays, quiz, sections
from pipeline.report.free import Free, free
from pipeline.report.thumbs import Bare, Thumbs
from tests import made_run
from tests import program_support as support

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


def run(*args: Path | str) -> Result:
    return CliRunner().invoke(app, ["report", *map(str, args)])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("runs") / "port_bramley"
    made_run.make(out, 60, pictures=True, clips=made_run.HOSTILE)
    with AuditStore(out, "Rosa <b>") as store:
        for n in range(1, 13):
            store.append(NewEvent(f"alder_creek-p{n}", "checked", "row"))
        store.append(NewEvent("alder_creek-p20", "label_set", "deep_safeties", {"value": 3}))
    return out


@pytest.fixture(scope="module")
def html(folder: Path) -> str:
    return make.build([folder], 4)


class Page(HTMLParser):
    """Ids, links and what else a page names."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.tags: Counter[str] = Counter()
        self.sources: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        for name, value in attrs:
            if name == "id":
                self.ids.append(str(value))
            elif name == "href" and tag == "a":
                self.links.append(str(value))
            elif name in ("src", "href", "action", "poster"):
                self.sources.append(str(value))
            assert not name.startswith("on"), (tag, name)


def text_of(html: str) -> str:
    body = html.split("</style>")[1]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", re.sub(r'<svg width="0".*?</svg>', "", body, flags=re.S)))


def test_counts_are_those_of_the_ledger(folder: Path, html: str) -> None:
    rows = ledger.read_csv(folder / "snaps.csv", "snaps")
    deep = Counter(3 if r["snap_id"] == "alder_creek-p20" else r["deep_safeties"] for r in rows)
    said = text_of(html)
    for count, words in ((0, "none deep"), (1, "one deep"), (2, "two deep"), (3, "three or more")):
        low, high = binomtest(deep[count], 60).proportion_ci(method="wilson")  # scipy as the reference
        shown = f"{deep[count]} of 60 {100 * deep[count] / 60:.0f} % ({100 * low:.0f} to {100 * high:.0f})"
        assert words + shown in said
    drop = [r for r in rows if r["play_kind"] == "dropback"]
    changed = sum(
        (3 if r["snap_id"] == "alder_creek-p20" else r["deep_safeties"]) != r["deep_safeties_after"] for r in drop
    )
    assert f"another than before it: {changed} of {len(drop)}" in said
    assert "Checked by an analyst: 12 of 60 20 %" in said and "1 corrected" in said


def test_every_percentage_stands_beside_count_and_interval(html: str) -> None:
    said = text_of(html).split("Quiz")[0]
    said = said.replace("95 % interval", "").replace("95 % (Wilson)", "")
    assert len(re.findall(r"\d+ %", said)) == len(re.findall(r"\d+ of \d+ \d+ % \(\d+ to \d+\)", said)) > 40


def test_every_number_leads_to_its_snaps_and_all_targets_exist(folder: Path, html: str) -> None:
    page = Page(html)
    assert len(page.ids) == len(set(page.ids))
    missing = [link for link in page.links if link[1:] not in page.ids]
    assert not missing and all(link.startswith("#") for link in page.links)
    games = plays.load([folder])
    two = counting.share(games.plays, counting.equals("deep_safeties", 2))
    panel = re.search(r'<section class="set"[^>]*aria-label="Deep at the snap: two deep".*?</section>', html, re.S)
    assert panel is not None
    assert set(re.findall(r'<a href="#(g0-\d+)"', panel.group())) == {p.key for p in two.hits}


def test_one_file_that_asks_for_nothing_and_runs_nothing(html: str) -> None:
    page = Page(html)
    assert not page.tags["script"] and not page.tags["link"] and not page.tags["iframe"] and not page.tags["form"]
    assert all(s.startswith(("data:image/jpeg;base64,", "#")) for s in page.sources)
    assert not re.search(r"url\(|@import|https?://", html.split("</style>")[0])


def test_hostile_names_are_text(tmp_path: Path) -> None:
    made_run.make(tmp_path / '<img src=x onerror="alert(1)">', 8, clips=made_run.HOSTILE, stem='"><script>x</script>')
    page_text = make.build([tmp_path / '<img src=x onerror="alert(1)">'], 2)
    page = Page(page_text)
    assert not page.tags["script"] and not page.tags["img"]
    assert "&lt;script&gt;" in page_text


def test_nothing_is_said_on_fewer_than_five(tmp_path: Path) -> None:
    made_run.make(tmp_path, 4)
    said = text_of(make.build([tmp_path])).split("Before you use this")[0]
    assert not re.findall(r"\d %", said.replace("95 %", "")) and "fewer than 5 snaps (4)" in said


def test_cautions_are_at_the_foot(html: str) -> None:
    foot = html.split('id="cautions"')[1]
    for word in ("estimate", "exchange", "minors", "officiating", "medical"):
        assert word in foot


def test_several_games_and_second_views(tmp_path: Path) -> None:
    for name, seed in (("a", 1), ("b", 2)):
        made_run.make(tmp_path / name, 30, seed)
    rows = ledger.read_csv(tmp_path / "a" / "snaps.csv", "snaps")
    rows[1].update(view="endzone", other_view_snap_id=rows[0]["snap_id"])
    rows[2].update(play_kind="special")
    ledger.write_csv(tmp_path / "a" / "snaps.csv", "snaps", rows)
    games = plays.load([tmp_path / "a", tmp_path / "b"])
    assert len(games.plays) == 58 and len({p.key for p in games.plays}) == 58
    assert sum(games.left_out.values()) == 2
    said = text_of(make.build([tmp_path / "a", tmp_path / "b"]))
    assert "58 plays of 2 game(s)" in said
    assert run(tmp_path / "a", tmp_path / "a", "--out", tmp_path / "r.html").exit_code == 2


def situation(**row: object) -> dict[str, str]:
    return plays.situation({"field_level": "college", **row}, {})


def test_situations_from_places_on_the_field() -> None:
    # NCAA rules: 120 by 53 1/3 yd with the end zones, hashes 40 ft apart (60 ft from each sideline).
    assert situation(ball_across_yd=20.0, offense_direction="right")["hash"] == "right"
    assert situation(ball_across_yd=20.0, offense_direction="left")["hash"] == "left"
    assert situation(ball_across_yd=26.7, offense_direction="left")["hash"] == "middle"
    assert situation(ball_across_yd=20.0, offense_direction="left", hash_offense="right")["hash"] == "right"
    assert situation(line_of_scrimmage_yd=95.0, offense_direction="right")["field zone"] == "their 20 and in"
    assert situation(line_of_scrimmage_yd=95.0, offense_direction="left")["field zone"] == "midfield and own 11 to 49"
    assert situation(line_of_scrimmage_yd=14.0, offense_direction="right")["field zone"] == "own 10 and in"
    assert situation(field_position="opp_12")["field zone"] == "their 20 and in"
    assert situation(field_position="midfield")["field zone"] == "midfield and own 11 to 49"
    assert "field zone" not in situation(line_of_scrimmage_yd=14.0)
    assert situation(down=3, distance_yd=8)["down and distance"] == "3rd and long"


def test_who_is_free_is_the_one_no_blocker_is_left_for() -> None:
    def man(position: str, across: float, depth: float, **more: bool) -> ledger.Row:
        return {"position": position, "across_yd": across, "depth_yd": depth, "moment": "after", **more}

    rush = [man("edge", 4.0, -1.0, rusher=True), man("edge", -4.0, -1.0, rusher=True),
            man("slot_defender", 7.0, -0.5, rusher=True)]  # fmt: skip
    block = [man("tackle", 3.8, -1.5, blocker=True), man("tackle", -3.9, -1.5, blocker=True)]
    play = plays.Play("k", "g", Path(), {"rushers": 3, "blockers": 2}, {"after": (*rush, *block)})
    assert free(play) == [Free("slot_defender", "right")]
    even = plays.Play("k", "g", Path(), {"rushers": 2, "blockers": 2}, {"after": (*rush, *block)})
    assert free(even) is None


def test_a_situation_that_changes_something_is_told_and_chance_is_not(tmp_path: Path) -> None:
    made_run.make(tmp_path, 120, seed=4)
    rows = ledger.read_csv(tmp_path / "snaps.csv", "snaps")
    for row in rows:
        row["deep_safeties"] = 1 if row["down"] == 3 else 2
    ledger.write_csv(tmp_path / "snaps.csv", "snaps", rows)
    found, looked = counting.tells(plays.load([tmp_path]).plays, sections.FACTS)
    assert looked > 40 and (found[0].situation, found[0].group) == ("down", "3rd")
    assert found[0].there.value in (0.0, 1.0)


def test_quiz_asks_first_and_answers_after_with_the_bare_frame(tmp_path: Path) -> None:
    film = support.write_film(tmp_path / "one.mp4", 3.0)
    made_run.make(tmp_path / "run", 6, seed=3, pictures=True, clips=("one.mp4",) * 6)
    games = plays.load([tmp_path / "run"])
    chosen = quiz.choose(games.plays, 3)
    assert chosen and all(p.row["play_kind"] == "dropback" for p in chosen)
    without = Thumbs(300)
    assert quiz.MARKED in quiz.section(games.plays, without, Bare(), 3)
    thumbs = Thumbs(300)
    made = quiz.section(games.plays, thumbs, Bare(film.parent), 3)
    assert quiz.MARKED not in made
    asked, answered = made.split('id="answers"')
    assert "deep at the snap" not in asked and answered.count("deep at the snap") == len(chosen)
    assert all(p.row["snap_id"] not in asked for p in chosen)


@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed: Debian's package chromium")
def test_chromium_prints_it(html: str, tmp_path: Path) -> None:
    (tmp_path / "report.html").write_text(html, encoding="utf-8")
    command = [
        str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path}/profile",
        "--no-pdf-header-footer", f"--print-to-pdf={tmp_path}/report.pdf", f"file://{tmp_path}/report.html",
    ]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=200)
    data = (tmp_path / "report.pdf").read_bytes()
    pages = len(re.findall(rb"/Type\s*/Page[^s]", data))
    assert data.startswith(b"%PDF") and 8 <= pages <= 40


def test_wrong_uses_are_said_and_a_full_disk_keeps_the_old_file(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(folder, "--out", tmp_path).exit_code == 2
    assert run(tmp_path, "--out", tmp_path / "r.html").exit_code == 2
    assert run(folder, "--out", tmp_path / "r.html").exit_code == 0
    before = (tmp_path / "r.html").read_bytes()

    def fsync(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(ledger.os, "fsync", fsync)
    result = run(folder, "--out", tmp_path / "r.html", "--quiz")
    assert result.exit_code == 1 and "No space left" in result.stderr
    assert (tmp_path / "r.html").read_bytes() == before

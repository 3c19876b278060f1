"""The page for everybody: contrast, names, targets, sizes; quick with two thousand snaps; its geometry is right."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.audit.view import camera_json
from pipeline.camera import Camera
from pipeline.ledger import csv_bytes, read_csv

SNAP = "harbor_01-p1"
Page = Any

CONTRAST = """() => {
  const parse = (c) => { const m = c.match(/[\\d.]+/g).map(Number); return m.length < 4 ? [...m, 1] : m; };
  const part = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  const lum = ([r, g, b]) => 0.2126 * part(r / 255) + 0.7152 * part(g / 255) + 0.0722 * part(b / 255);
  const own = (e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
  const bad = [];
  for (const e of document.querySelectorAll('body *')) {
    if (!e.checkVisibility() || e.closest('svg') || e.disabled || !own(e)) continue;
    let back = [255, 255, 255, 0], up = e;
    while (up && back[3] < 1) {
      const c = parse(getComputedStyle(up).backgroundColor);
      if (c[3] > 0) back = c;
      up = up.parentElement;
    }
    const [a, b] = [lum(parse(getComputedStyle(e).color)), lum(back)];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) bad.push(`${e.tagName}.${e.className} ${e.textContent.slice(0, 30)}: ${ratio.toFixed(2)}`);
  }
  return bad;
}"""
NAMES = """() => [...document.querySelectorAll('button, select, input, textarea, a, summary')]
  .filter((e) => e.checkVisibility())
  .filter((e) => !(e.textContent.trim() || e.getAttribute('aria-label') || (e.labels && e.labels.length) || e.title))
  .map((e) => e.outerHTML)"""
TARGETS = """() => [...document.querySelectorAll(
    'button, select, input:not([type=checkbox]), textarea, nav a, summary')]
  .filter((e) => e.checkVisibility()).map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
  .filter(([, r]) => r.height < 43.5 || r.width < 43.5).map(([t, r]) => `${t} ${r.width} x ${r.height}`)"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_everybody_can_use_it(
    run: Path, serve: Callable[..., Any], open_page: Callable[..., Page], scheme: str
) -> None:
    """Contrast 4.5 (WCAG 2.2, 1.4.3), names of controls (4.1.2), targets of 44 px (2.5.5), no sideways scrolling."""
    options = {"color_scheme": scheme, "reduced_motion": "reduce", "has_touch": True, "is_mobile": False,
               "viewport": {"width": 1024, "height": 768}}  # fmt: skip
    page = open_page(serve(run).url, **options)
    for place, ready in (("#/", "table.snaps a"), (f"#/snap/{SNAP}", "#label-rushers"), ("#/blind", "#count"),
                         ("#/blind/2/1", "#blind-motion"), ("#/agreement", "h2")):  # fmt: skip
        page.goto(page.url.split("#")[0] + place)
        page.wait_for_selector(ready)
        page.wait_for_timeout(150)
        assert page.evaluate(CONTRAST) == [], place
        assert page.evaluate(NAMES) == [], place
        assert page.evaluate("matchMedia('(pointer: coarse)').matches")
        assert page.evaluate(TARGETS) == [], place
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), place
        landmarks = page.evaluate("['header', 'nav', 'main', 'footer'].map((t) => document.querySelectorAll(t).length)")
        assert landmarks == [1, 1, 1, 1] and page.locator("h1").count() == 1
        assert "Not for officiating" in page.inner_text("footer")
    assert page.evaluate("getComputedStyle(document.querySelector('main')).transitionDuration") == "0s"


def test_the_list_of_two_thousand_snaps_is_drawn_within_a_second(
    charted: Path, tmp_path: Path, serve: Callable[..., Any], open_page: Callable[..., Page]
) -> None:
    run = Path(shutil.copytree(charted, tmp_path / "large"))
    for name in ("snaps", "labels"):
        rows = [r for r in read_csv(run / f"{name}.csv", name) if r["snap_id"] == SNAP]
        many = [{**r, "snap_id": f"harbor_01-p{i}"} for i in range(1, 2001) for r in rows]
        (run / f"{name}.csv").write_bytes(csv_bytes(name, many))
    page = open_page(serve(run).url)
    page.wait_for_selector("table.snaps a")
    took = []
    for _ in range(3):
        page.goto(page.url.split("#")[0] + "#/agreement")
        page.wait_for_selector("h2")
        start = time.perf_counter()
        page.goto(page.url.split("#")[0] + "#/")
        page.wait_for_selector("table.snaps a")
        took.append(time.perf_counter() - start)
    assert min(took) < 1.0, took
    assert "2000 snaps" in page.inner_text(".count")
    page.select_option("#filter-state", "checked")
    page.wait_for_selector("text=No snap fits")


def test_geometry_is_that_of_the_program(
    run: Path, serve: Callable[..., Any], open_page: Callable[..., Page]
) -> None:
    """The page's projection against the program's camera (itself held against an analytic one in its tests)."""
    camera = Camera(1280, 720, 2400.0, (57.0, -60.0, 30.0), pan_deg=4.0, tilt_deg=22.0, roll_deg=0.7, k1=-0.03)
    yd = np.stack(np.meshgrid(np.linspace(45, 70, 6), np.linspace(2, 50, 6)), -1).reshape(-1, 2)
    page = open_page(serve(run).url)
    script = """async ([c, pts]) => { const g = await import('/page/geometry.js');
      return pts.map(([x, y]) => { const p = g.toPx(c, x, y); return [p, g.toGround(c, ...p)]; }); }"""
    found = page.evaluate(script, [camera_json(camera), yd.tolist()])
    np.testing.assert_allclose([p for p, _ in found], camera.ground_to_px(yd), atol=1e-6)
    np.testing.assert_allclose([g for _, g in found], yd, atol=1e-4)

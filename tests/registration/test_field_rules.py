"""Field geometry against the rule books and against the package sportypy where the two agree."""

from __future__ import annotations

import tomllib

import pytest

from pipeline import field as fields
from pipeline.errors import UsageError

FOOT = 1 / 3

# Published rules: professional Rule 1 section 1, college Rule 1-2, high school Rule 1-2, Canadian Rule 1.
RULES = {
    # level: length, width, end zone (yd), distance of the hash rows' inner ends from the sidelines (yd)
    "professional": (120.0, 160 * FOOT, 10.0, (70 + 9 / 12) * FOOT),  # 70 ft 9 in
    "college": (120.0, 160 * FOOT, 10.0, 60 * FOOT),  # 60 ft
    "high_school": (120.0, 160 * FOOT, 10.0, (53 + 4 / 12) * FOOT),  # 53 ft 4 in: thirds of the width
    "canadian": (150.0, 65.0, 20.0, 24.0),  # 110 yd and two end zones of 20; rows 24 yd in
}


@pytest.mark.parametrize("level", fields.LEVELS)
def test_geometry_follows_the_rule_book(level: str) -> None:
    f = fields.load(level)
    length, width, end_zone, hash_inner = RULES[level]
    assert f.length == pytest.approx(length)
    assert f.width == pytest.approx(width, abs=1e-9)
    assert f.end_zone == pytest.approx(end_zone)
    assert f.hash_inner == pytest.approx(hash_inner, abs=1e-9)
    assert f.line_width == pytest.approx(4 / 36)  # lines 4 in wide in all four books


def test_distance_between_the_hash_rows() -> None:
    # Professional 18 ft 6 in; college 40 ft; high school a third of 160 ft (same rules as above).
    for level, feet in (("professional", 18.5), ("college", 40.0), ("high_school", 160 / 3)):
        f = fields.load(level)
        assert f.width - 2 * f.hash_inner == pytest.approx(feet * FOOT, abs=1e-9)


def test_hash_ticks_where_film_shows_them() -> None:
    # Measured on film: tick middles 23.25 and 30.08 yd from the near sideline (film statistics of the project).
    near, far = fields.load("professional").hash_rows
    assert near == pytest.approx(23.25, abs=0.01)
    assert far == pytest.approx(30.08, abs=0.01)


@pytest.mark.parametrize(
    ("level", "name"),
    [("professional", "NFLField"), ("college", "NCAAField"), ("high_school", "NFHSField"), ("canadian", "CFLField")],
)
def test_agrees_with_sportypy(level: str, name: str) -> None:
    """sportypy 1.x. Where it differs the rule book wins: its high-school field has professional goal lines and
    border, its Canadian hash ticks lie inside the rows and its Canadian numbers 7 yd from the sideline."""
    football = pytest.importorskip("sportypy.surfaces.football")
    known = getattr(football, name)().field_params
    f = fields.load(level)
    assert f.length - 2 * f.end_zone == pytest.approx(known["field_length"])
    assert f.width == pytest.approx(known["field_width"], abs=1e-3)
    assert f.end_zone == pytest.approx(known["endzone_length"])
    assert f.line_width == pytest.approx(known["minor_line_thickness"], abs=1e-3)
    assert f.hash_tick == pytest.approx(known["minor_yard_line_height"], abs=1e-3)
    assert f.number_height == pytest.approx(known["number_height"])
    if level != "canadian":
        assert f.width - 2 * f.hash_inner == pytest.approx(known["inbound_hashmark_separation"], abs=1e-3)
        assert f.number_bottom == pytest.approx(known["sideline_to_bottom_of_numbers"])
    else:
        assert f.width - 2 * f.hash_inner == pytest.approx(known["inbound_cross_hashmark_separation"])


@pytest.mark.parametrize("level", fields.LEVELS)
def test_numbers_count_from_both_goals(level: str) -> None:
    f = fields.load(level)
    for x in f.yard_lines:
        assert f.number_at(x) == f.number_at(f.length - x)
    assert f.number_at(f.end_zone + 10) == 10
    assert f.number_at(f.end_zone) is None
    assert f.number_at(f.end_zone + 15) is None
    if level != "canadian":
        assert f.number_at(60.0) == 50


@pytest.mark.parametrize("level", fields.LEVELS)
def test_every_value_names_its_source(level: str) -> None:
    raw = tomllib.loads((fields.configs_dir() / "fields" / f"{level}.toml").read_text(encoding="utf-8"))
    for key, entry in raw["geometry"].items():
        assert set(entry) == {"value", "rule"}, key
        assert entry["rule"].strip(), key


def test_unknown_level_is_a_usage_error() -> None:
    with pytest.raises(UsageError, match="Unknown field level"):
        fields.load("indoor")

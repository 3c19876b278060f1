"""Blind accuracy and agreement: held against scikit-learn and hand counts."""

from __future__ import annotations

from itertools import count

import pytest
from sklearn.metrics import cohen_kappa_score

from pipeline.audit import agreement
from pipeline.audit.events import Event
from pipeline.stats import wilson

NUMBER = count(1)
ROWS = {f"s{i}": {"snap_id": f"s{i}", "deep_safeties": i % 3, "rushers": None if i == 0 else 4} for i in range(12)}


def event(who: str, snap: str, kind: str, subject: str = "row", value: object = None) -> Event:
    n = next(NUMBER)
    return Event(n, f"id-{n}", "2026-01-01T00:00:00+00:00", who, snap, kind, subject, {}, {"value": value}, n)


def blind(who: str, values: dict[str, object], label: str = "deep_safeties") -> list[Event]:
    return [event(who, s, "blind_answer", label, v) for s, v in values.items()]


def test_accuracy_counts_a_blank_prediction_as_wrong_among_all() -> None:
    answers = blind("Ada", {f"s{i}": 4 for i in range(8)}, "rushers")
    row = next(r for r in agreement.accuracy(answers, ROWS) if r["label"] == "rushers")
    assert (row["n"], row["answered"], row["right"]) == (8, 7, 7)
    assert row["of_all"]["share"] == 7 / 8 and row["of_answered"]["share"] == 1.0
    assert (row["of_all"]["low"], row["of_all"]["high"]) == pytest.approx(wilson(7, 8))


def test_what_an_analyst_could_not_tell_does_not_count_and_the_last_answer_holds() -> None:
    answers = blind("Ada", {"s1": None, "s2": 0}) + blind("Ada", {"s2": 2})
    row = agreement.accuracy(answers, ROWS)[0]
    assert (row["n"], row["right"], row["enough"]) == (1, 1, False)
    assert agreement.accuracy(answers, ROWS, "Berit") == []


def test_kappa_of_two_people_is_that_of_scikit_learn() -> None:
    ada = {f"s{i}": i % 3 for i in range(12)}
    berit = {f"s{i}": (i % 3 if i % 4 else (i + 1) % 3) for i in range(12)}
    row = agreement.agreement(blind("Ada", ada) + blind("Berit", berit), ROWS)[0]
    expected = cohen_kappa_score([str(v) for v in ada.values()], [str(v) for v in berit.values()])
    assert (row["a"], row["b"], row["blind"], row["n"], row["alike"]) == ("Ada", "Berit", True, 12, 9)
    assert row["kappa"] == pytest.approx(expected)


def test_checked_rows_count_as_what_stood_when_they_were_checked() -> None:
    acts = []
    for i in range(6):
        acts.append(event("Ada", f"s{i}", "checked"))
        acts.append(event("Berit", f"s{i}", "label_set", "deep_safeties", 2))
        acts.append(event("Berit", f"s{i}", "checked"))
    row = next(r for r in agreement.agreement(acts, ROWS) if r["label"] == "deep_safeties")
    assert (row["blind"], row["n"], row["alike"]) == (False, 6, 2)


def test_a_sample_is_the_same_for_two_people_and_leaves_out_what_one_has_seen() -> None:
    ids = list(ROWS)
    assert agreement.sample(ids, [], "Ada", 5, 7) == agreement.sample(ids, [], "Berit", 5, 7)
    assert agreement.sample(ids, [], "Ada", 5, 7) != agreement.sample(ids, [], "Ada", 5, 8)
    seen = [event("Ada", "s3", "label_set", "rushers", 5), event("Berit", "s4", "checked")]
    drawn = agreement.sample(ids, seen, "Ada", 99, 1)
    assert sorted(drawn) == sorted(set(ids) - {"s3"})
    answered = blind("Ada", {drawn[0]: 1})
    assert agreement.sample(ids, seen + answered, "Ada", 99, 1) == drawn  # going on gives the same sample

"""The fold against a walk over every calendar day, which knows nothing of positions and jumps."""

import json

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.finding import Kind
from pipeline.exceptions.course import REOPEN_DAYS
from pipeline.exceptions.fold import fold, fold_at
from pipeline.frames import DECISIONS
from tests.pipeline.exceptions.test_fold import (
    DETECTOR,
    KIND,
    RULE,
    START,
    decision,
    findings_of,
    folded,
    judged_of,
    not_judged_of,
    on,
    sites_of,
)


def slowly(found: set[int], judged: set[int], skipped: set[int], rule: Kind, last: int) -> list[tuple]:
    """The same by a walk over every day: (opened, closed, reopened, finding days) per exception."""
    matters: list[dict] = []
    history: list[bool] = []  # judged days since the last closing: was there a finding?
    for d in range(last + 1):
        has_finding = d in found
        if not has_finding and (d not in judged or d in skipped):
            continue
        current = matters[-1] if matters else None
        if current and current["closed"] is None:
            current["clear"] = 0 if has_finding else current["clear"] + 1
            current["n"] += has_finding
            if current["clear"] == rule.close_after:
                current["closed"], history = d, []
            continue
        history.append((d, has_finding))
        hits = [x for x, hit in history[-rule.within :] if hit]
        if has_finding and len(hits) >= rule.open_after:
            if current and hits[0] - current["closed"] <= REOPEN_DAYS:
                current.update(closed=None, clear=0, n=current["n"] + len(hits), again=current["again"] + 1)
            else:
                matters.append({"opened": d, "closed": None, "clear": 0, "n": len(hits), "again": 0})
    return [(m["opened"], m["closed"], m["again"], m["n"]) for m in matters]


DAYS_DRAWN = st.sets(st.integers(0, 90), max_size=40)


@settings(deadline=None, max_examples=150)
@given(
    DAYS_DRAWN, DAYS_DRAWN, st.sets(st.integers(0, 90), max_size=15), st.integers(1, 3), st.integers(0, 3), st.data()
)
def test_the_fold_equals_a_walk_over_every_day(found, gaps, skipped, open_after, extra, data):
    rule = Kind(
        title="t",
        open_after=open_after,
        within=open_after + extra,
        close_after=data.draw(st.integers(1, 4)),
        cause="c",
        next_step="n",
    )
    judged = set(range(91)) - gaps
    rows = folded(
        findings_of(sorted(found)), 90, judged=judged_of(judged), skipped=not_judged_of(skipped), kinds={KIND: rule}
    )
    got = [
        (
            (r["opened_on"] - START).days,
            None if r["closed_on"] is None else (r["closed_on"] - START).days,
            r["reopened"],
            r["finding_days"],
        )
        for r in sorted(rows, key=lambda r: r["opened_on"])
    ]
    assert got == slowly(found, judged, skipped, rule, 90)


ACTIONS = st.lists(
    st.tuples(st.integers(0, 40), st.sampled_from(["acknowledge", "snooze", "close", "reopen"])), max_size=4
)


@settings(deadline=None, max_examples=60)
@given(st.sets(st.integers(0, 40)), ACTIONS, st.integers(5, 40), st.randoms(use_true_random=False))
def test_order_of_rows_and_later_rows_do_not_matter(found, actions, day, random):
    kinds = {KIND: RULE, "battery-at-floor": RULE}
    frames = [findings_of(sorted(found)), findings_of(sorted(found), kind="battery-at-floor", value=3.0)]
    rows = pl.concat([*frames, findings_of(sorted(found), severity="urgent")])  # twice: the worse one counts
    decided = [decision(d, action, until=d + 5, hour=n) for n, (d, action) in enumerate(actions)]
    whole = folded(rows, day, kinds=kinds, decided=decided)
    shuffled = rows.sample(fraction=1.0, shuffle=True, seed=random.randrange(1000))
    random.shuffle(decided)
    early = shuffled.filter(pl.col("day") <= on(day))
    assert folded(shuffled, day, kinds=kinds, decided=decided) == whole
    assert folded(early, day, kinds=kinds, judged=judged_of(range(day + 1)), decided=decided) == whole
    open_kinds = [row["kind"] for row in whole if row["status"] != "closed"]
    assert len(open_kinds) == len(set(open_kinds))
    assert all(row["severity"] == "urgent" for row in whole if row["kind"] == KIND)
    assert all(json.loads(row["evidence"]) == {} for row in whole)


@settings(deadline=None, max_examples=60)
@given(st.sets(st.integers(0, 40)), st.sets(st.integers(0, 40)), ACTIONS, st.integers(5, 40))
def test_one_pass_over_several_days_is_a_fold_for_each(found, skipped, actions, day):
    decided = pl.DataFrame(
        [decision(d, action, until=d + 5, hour=n) for n, (d, action) in enumerate(actions)], schema=DECISIONS
    )
    rows = [findings_of(sorted(found)), judged_of(range(0, 60, 2)), not_judged_of(sorted(skipped)), decided]
    about = sites_of("A"), {KIND: RULE}, {KIND: DETECTOR}
    days = [on(day - 3), on(day - 1), on(day)]
    for one, told in zip(days, fold_at(*rows, *about, days=days), strict=True):
        alone = fold(*rows, *about, day=one)
        assert told.exceptions.equals(alone.exceptions)
        assert told.events.equals(alone.events)

"""The picture of page one: each cause has a layout, limits are those that judged, and no data gives no empty frame."""

from __future__ import annotations

import html
import re

import pytest

from forensics.demo import DEMO_CASES
from forensics.model.vocabulary import Mode, Role, VerdictStatus
from forensics.report.context import ReportContext, open_sheet
from forensics.report.healthy import LOADED_STOP, healthy_start, healthy_stop
from forensics.report.stories.plan import plan_of, read_plans
from forensics.report.stories.quantities import quantity
from forensics.report.stories.story import close_picture, cycle_picture, story

OVER_STARTS = {"slide_at_start", "settled_ratio", "rest_before_start"}
MADE = {"discharge_less_suction", "condenser_less_suction", "filter_drop", "oil_difference", "high_pressure"}


@pytest.fixture(scope="module", params=["loaded-starts", "healthy", "cannot-tell"])
def sheet(request: pytest.FixtureRequest) -> ReportContext:
    return open_sheet(case=DEMO_CASES[request.param])


def test_every_cause_has_a_layout_of_named_quantities() -> None:
    plans = read_plans()
    assert {m.value for m in Mode if m is not Mode.NONE} <= set(plans.mode)
    known = OVER_STARTS | MADE | {r.value for r in Role}
    for plan in (plans.open, plans.sound, *plans.mode.values()):
        assert set(plan.panels) <= known
        assert set(plan.panels) <= set(plans.quantity)
        assert len(plan.limits_of) <= len(plan.panels)


def test_a_cause_that_the_rules_do_not_know_gets_the_open_layout() -> None:
    assert plan_of(VerdictStatus.DETERMINED, "own-cause") == read_plans().open


def test_each_demo_case_has_its_picture_twice_the_same(sheet: ReportContext) -> None:
    first = story(sheet.investigation, sheet.display, sheet.clock)
    again = story(sheet.investigation, sheet.display, sheet.clock)
    assert first is not None
    assert first == again
    assert first.wide != first.narrow
    words = html.unescape(" ".join(re.findall(r"<text[^>]*>([^<]*)</text>", first.wide)))
    assert "UTC" in words or "seconds from where" in words


def test_pictures_for_the_notebook_are_whole_or_none(sheet: ReportContext) -> None:
    work = sheet.investigation
    for picture in (
        close_picture(work, sheet.display, sheet.clock),
        cycle_picture(work, "start", sheet.display),
        cycle_picture(work, "stop", sheet.display),
    ):
        assert picture == "" or (picture.startswith("<svg") and picture.endswith("</svg>") and "<path" in picture)


def test_only_healthy_starts_and_stops_teach() -> None:
    work = open_sheet(case=DEMO_CASES["loaded-starts"]).investigation
    loaded = work.limits[LOADED_STOP]
    good_starts = [s for s in work.starts if healthy_start(s)]
    assert 0 < len(good_starts) < len(work.starts)
    assert all(s.unloaded.value == "yes" for s in good_starts)
    good_stops = [s for s in work.stops if healthy_stop(s, loaded)]
    assert 0 < len(good_stops) < len(work.stops)
    assert all(s.slide_percent is None or s.slide_percent < loaded for s in good_stops)


def test_a_quantity_that_is_not_logged_is_none() -> None:
    record = open_sheet(case=DEMO_CASES["loaded-starts"]).investigation.record
    assert quantity(record, "shaft_speed", "si") is None
    assert quantity(record, "no_such_quantity", "si") is None
    made = quantity(record, "discharge_less_suction", "inch-pound")
    assert made is not None
    assert made.title.endswith(", psi")

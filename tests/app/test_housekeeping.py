"""The nightly duties are planned, and planned anew when the clock was moved from under them."""

import asyncio
from datetime import UTC, datetime, timedelta

import pytest

from mistd.app.housekeeping import NIGHTLY, replan, scheduler


async def nightly() -> None:
    raise AssertionError("nothing is due in this test")


def next_night(moved_by: timedelta) -> tuple[datetime, datetime]:
    """When the duties are planned, and when they are if they were planned by a clock so far ahead."""

    async def looked() -> tuple[datetime, datetime]:
        duties = scheduler(nightly)
        duties.start(paused=True)
        job = duties.get_job(NIGHTLY)
        planned: datetime = job.next_run_time
        job.modify(next_run_time=planned + moved_by)
        replan(duties, datetime.now(UTC))
        after: datetime = duties.get_job(NIGHTLY).next_run_time
        duties.shutdown(wait=False)
        return planned, after

    return asyncio.run(looked())


@pytest.mark.parametrize("ahead", [timedelta(days=2), timedelta(days=400), timedelta(days=3650)])
def test_duties_that_were_planned_by_a_clock_years_ahead_are_planned_anew(ahead: timedelta) -> None:
    planned, after = next_night(ahead)

    assert after == planned


@pytest.mark.parametrize("behind", [timedelta(days=3), timedelta(days=400), timedelta(days=20_000)])
def test_duties_that_were_planned_by_a_clock_years_behind_are_planned_anew(behind: timedelta) -> None:
    planned, after = next_night(-behind)

    assert after == planned


def test_a_night_that_is_within_a_day_stays_as_it_was_planned() -> None:
    planned, after = next_night(timedelta(0))

    assert after == planned
    assert after - datetime.now(UTC) <= timedelta(hours=24)

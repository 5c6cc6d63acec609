"""Housekeeping that may be late: once a night, letting go of what is too old, and a copy of the rest.

APScheduler runs it, in UTC, at an hour that exists on every day of the year. Nothing in here touches a valve.
"""

from collections.abc import Awaitable, Callable
from datetime import datetime, timedelta

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger

NIGHTLY = "nightly"
NIGHTLY_HOUR_UTC, NIGHTLY_MINUTE = 3, 40
LOOK_EVERY_S = 3600.0
PLANNED_WITHIN = timedelta(hours=25)  # the next night is never further away
LATE_BY_S = 6 * 3600  # a job whose time passed while the machine was busy or off is still worth doing


def scheduler(nightly: Callable[[], Awaitable[None]]) -> AsyncIOScheduler:
    """A scheduler with every duty in it, not started."""
    duties = AsyncIOScheduler(timezone="UTC")
    duties.add_job(
        nightly,
        _every_night(),
        id=NIGHTLY,
        misfire_grace_time=LATE_BY_S,
        coalesce=True,
        max_instances=1,
    )
    return duties


def replan(duties: AsyncIOScheduler, now: datetime) -> None:
    """Plan the next night anew when it is further away than a day, ahead or gone by.

    It was planned by the wall clock of then: a board that booted years ahead and was set right would else do
    no duty for years; one that booted in 1970 would hold up the loop for seconds, going through every night
    since.
    """
    job = duties.get_job(NIGHTLY)
    if job.next_run_time is None or abs(job.next_run_time - now) > PLANNED_WITHIN:
        job.reschedule(_every_night())


def _every_night() -> CronTrigger:
    return CronTrigger(hour=NIGHTLY_HOUR_UTC, minute=NIGHTLY_MINUTE, timezone="UTC")

"""Housekeeping that may be late: once a night, letting go of what is too old, and a copy of the rest.

APScheduler runs it, in UTC, at an hour that exists on every day of the year. Nothing in here touches a valve.
"""

from collections.abc import Awaitable, Callable

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger

NIGHTLY_HOUR_UTC, NIGHTLY_MINUTE = 3, 40
LATE_BY_S = 6 * 3600  # a job whose time passed while the machine was busy or off is still worth doing


def scheduler(nightly: Callable[[], Awaitable[None]]) -> AsyncIOScheduler:
    """A scheduler with every duty in it, not started."""
    duties = AsyncIOScheduler(timezone="UTC")
    duties.add_job(
        nightly,
        CronTrigger(hour=NIGHTLY_HOUR_UTC, minute=NIGHTLY_MINUTE, timezone="UTC"),
        id="nightly",
        misfire_grace_time=LATE_BY_S,
        coalesce=True,
        max_instances=1,
    )
    return duties

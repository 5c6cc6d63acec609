"""Changes of settings as far as they are known here: from the database of this machine, else from the broker.

Rule: whoever is told is also told where it is from, for the two do not know the same.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from mistd.app import remote
from mistd.app.config import Config
from mistd.app.messages import ChangeTold
from mistd.app.problems import printable
from mistd.app.telling_settings import CHANGES_TOLD, change_told
from mistd.app.wiring import records_of, wall_time
from mistd.ports.errors import StoreError
from mistd.ports.store import KeptRevision

FROM_DATABASE = "every change, from the database on this machine"


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """Changes, oldest first."""

    changes: list[ChangeTold]
    source: str  # in words
    now: datetime  # at the house


async def history_of(config: Config) -> History:
    """What is known here.

    Raises:
        BusError: this machine has no database of the house, and the broker cannot be reached.
    """
    try:
        revisions = records_of(config).revisions()
    except StoreError as problem:
        return await _told_by_the_broker(config, printable(str(problem)))
    changes, unknown = _understood(revisions)
    left_out = f"; {unknown} left out, of a later version of mistd" if unknown else ""
    now = wall_time().astimezone(ZoneInfo(config.place.time_zone))
    return History(changes=changes, source=FROM_DATABASE + left_out, now=now)


def _understood(revisions: Iterable[KeptRevision]) -> tuple[list[ChangeTold], int]:
    told = [change_told(revision) for revision in revisions]
    changes = [change for change in told if change is not None]
    return changes, len(told) - len(changes)


async def _told_by_the_broker(config: Config, why: str) -> History:
    picture = await remote.picture_of(config)
    changes = picture.changes.changes[::-1] if picture.changes else []
    source = f"the newest changes, at most {CHANGES_TOLD}, from the broker ({why})"
    return History(changes=changes, source=source, now=remote.house_now(config, picture))

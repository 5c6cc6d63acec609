"""What people do in a history, as the requests that reach the core."""

from mistd.core.house import House
from mistd.core.requests import AskBurst, AskHold, AskRelease, AskSetting, AskUndo, Request
from tests.core.histories import Asks, Sets, Undoes


def request_of(what: Asks | Sets | Undoes, request_id: str, house: House, now_s: float) -> Request:
    """The request that somebody makes who looks at this house."""
    if isinstance(what, Undoes):
        return AskUndo(request_id=request_id, revision=house.settings.last_id - what.back, author="jo")
    zone = house.plan.zones[what.zone % len(house.plan.zones)].name
    if isinstance(what, Sets):
        return _setting(what, request_id, zone, house)
    if what.what == "burst":
        expires_at_s = now_s + what.good_s
        return AskBurst(
            request_id=request_id, zone=zone, for_s=what.for_s, author="jo", expires_at_s=expires_at_s
        )
    if what.what == "hold":
        return AskHold(request_id=request_id, zone=zone, for_s=what.for_s or 0.0, author="jo")
    return AskRelease(request_id=request_id, zone=zone, author="jo")


def _setting(what: Sets, request_id: str, zone: str, house: House) -> AskSetting:
    newest = house.settings.newest_id((what.kind, zone))
    return AskSetting(
        request_id=request_id,
        zone=zone,
        kind=what.kind,
        value=what.value,
        author="jo",
        expected_revision={None: None, "newest": newest, "another": newest - 1}[what.saw],
    )

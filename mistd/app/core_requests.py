"""From what people send to what the core decides on; what a setting's own form forbids is told here."""

from pydantic import ValidationError

from mistd.app.demand_plan import Benches
from mistd.app.messages import (
    Asked,
    BurstAsked,
    HoldAsked,
    ReleaseAsked,
    SettingAsked,
    UndoAsked,
)
from mistd.app.problems import problems_of
from mistd.app.setting_forms import FORMS
from mistd.core.requests import AskBurst, AskHold, AskRelease, AskSetting, AskUndo, Request
from mistd.core.settings import SettingValue


class UnfitValueError(ValueError):
    """The value of a setting is not what its form says, or not what its zone can do."""


def core_request(message: Asked, good_until_s: float, benches: Benches) -> Request:
    """A request as the core takes it.

    Args:
        message: checked for form.
        good_until_s: until when a burst may begin.
        benches: of the house.

    Raises:
        UnfitValueError: with everything that is wrong with the value of a setting.
    """
    if isinstance(message, BurstAsked):
        return AskBurst(
            request_id=message.id,
            zone=message.zone,
            for_s=message.for_s,
            author=message.author,
            expires_at_s=good_until_s,
        )
    if isinstance(message, HoldAsked):
        return AskHold(
            request_id=message.id,
            zone=message.zone,
            for_s=message.for_s,
            author=message.author,
            note=message.note,
        )
    if isinstance(message, ReleaseAsked):
        return AskRelease(request_id=message.id, zone=message.zone, author=message.author)
    if isinstance(message, UndoAsked):
        return AskUndo(
            request_id=message.id, revision=message.revision, author=message.author, note=message.note
        )
    assert isinstance(message, SettingAsked)
    value = setting_value(message)
    problems = list(benches.clipped(message.zone, value))
    if problems:
        raise UnfitValueError("; ".join(f"value.{problem}" for problem in problems))
    return AskSetting(
        request_id=message.id,
        zone=message.zone,
        kind=message.setting,
        value=benches.reckoned(message.zone, value),
        author=message.author,
        note=message.note,
        expected_revision=message.expected_revision,
    )


def setting_value(message: SettingAsked) -> SettingValue | None:
    """The value of a setting, by its own form.

    Raises:
        UnfitValueError: with everything that is wrong with it.
    """
    if message.value is None:
        return None
    form = FORMS[message.setting]
    try:
        return form.core(form.form.model_validate(message.value))
    except ValidationError as error:
        problems = problems_of(error, form.form, "value")
        raise UnfitValueError("; ".join(str(problem) for problem in problems[:5])) from None

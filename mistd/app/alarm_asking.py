"""From what people ask about alarms to what the board takes: which alarm they mean, and what they want."""

from mistd.app.messages import AlarmAsked
from mistd.core.alarm_requests import AlarmRequest, AlarmVerb
from mistd.core.alarms import About, Alarm, Life
from mistd.core.annunciator import Board


class UnclearAlarmError(ValueError):
    """No alarm, or more than one, has the name that was given; the text says what to do."""


def is_told(alarm: Alarm) -> bool:
    """Whether there is anything to know of an alarm: it is not at rest, or people put it aside."""
    return alarm.life is not Life.NORMAL or bool(alarm.shelf or alarm.service)


def alarm_request(message: AlarmAsked, board: Board) -> AlarmRequest:
    """A request as the board takes it.

    Raises:
        UnclearAlarmError: it cannot be told which alarm is meant.
    """
    kind, subject = _named(message.alarm, board) if message.alarm else (None, None)
    return AlarmRequest(
        verb=AlarmVerb(message.action),
        author=message.author,
        kind=kind,
        subject=subject,
        occurrence=message.occurrence,
        for_s=message.for_s,
        note=message.note,
    )


def _named(name: str, board: Board) -> tuple[str, str]:
    kind, has_subject, subject = name.partition("/")
    if kind not in board.rows:
        raise UnclearAlarmError(f"there is no kind of alarm {kind!r}; known: {', '.join(board.rows)}")
    return kind, subject if has_subject else _only_subject(kind, board)


def _only_subject(kind: str, board: Board) -> str:
    """The subject that is meant when only a kind is named: there is one, or one with anything to know of."""
    told = sorted(a.subject for a in board.alarms.values() if a.row.kind == kind and is_told(a))
    about = board.rows[kind].about
    possible = told if about is About.PART else sorted(board.subjects[about])
    for subjects in (possible, told):
        if len(subjects) == 1:
            return subjects[0]
    if not possible:
        raise UnclearAlarmError(f"there is no alarm {kind} now")
    named = ", ".join(f"{kind}/{subject}" for subject in possible)
    raise UnclearAlarmError(f"name the subject, too: {named}")

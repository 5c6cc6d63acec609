"""The topics of a house on the broker. Every one begins with `mistd/HOUSE/`.

| topic | what | retained |
|---|---|---|
| `status` | is the daemon there (its last will says offline) | yes |
| `house` | the house as a whole | yes |
| `zone/ZONE` | one zone | yes |
| `sensor/SENSOR` | one sensor's last reading | yes |
| `settings/ZONE` | what is set of one zone, and by whom | yes |
| `changes` | the newest changes of settings | yes |
| `alarms` | how many alarms there are, and whether one sounds | yes |
| `alarm/KIND/SUBJECT` | one alarm, while there is something to know of it | yes |
| `event` | what happened, as it happens | no |
| `ask/burst`, `ask/hold`, `ask/release`, `ask/set`, `ask/undo`, `ask/alarm` | requests | refused if so |
| `answer`, `answer/...` | its answers | no |
"""

from dataclasses import dataclass

LONGEST_ANSWER_TOPIC = 128  # bytes of a response topic that a request may name
LONGEST_CORRELATION = 64  # bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Topics:
    """The topics of one house."""

    house_name: str

    @property
    def root(self) -> str:
        return f"mistd/{self.house_name}"

    @property
    def status(self) -> str:
        return f"{self.root}/status"

    @property
    def house(self) -> str:
        return f"{self.root}/house"

    @property
    def event(self) -> str:
        return f"{self.root}/event"

    @property
    def changes(self) -> str:
        return f"{self.root}/changes"

    @property
    def alarms(self) -> str:
        return f"{self.root}/alarms"

    @property
    def answer(self) -> str:
        return f"{self.root}/answer"

    def zone(self, zone: str) -> str:
        return f"{self.root}/zone/{zone}"

    def sensor(self, sensor: str) -> str:
        return f"{self.root}/sensor/{sensor}"

    def settings(self, zone: str) -> str:
        return f"{self.root}/settings/{zone}"

    @property
    def any_alarm(self) -> str:
        """What the topic of every alarm begins with; its name follows."""
        return f"{self.root}/alarm/"

    def alarm(self, kind: str, subject: str) -> str:
        return f"{self.any_alarm}{kind}/{subject}"

    def ask(self, what: str) -> str:
        return f"{self.root}/ask/{what}"

    def asked(self, topic: str) -> str | None:
        """What is asked for on a topic; None when it is no topic for requests."""
        start = f"{self.root}/ask/"
        return topic.removeprefix(start) if topic.startswith(start) else None

    def may_answer_on(self, topic: str) -> bool:
        """Whether an answer may go to a topic that a request names: only below our own answers.

        Otherwise whoever may ask could have the daemon publish, with its own rights, wherever they like.
        """
        is_ours = topic == self.answer or topic.startswith(f"{self.answer}/")
        return is_ours and len(topic.encode()) <= LONGEST_ANSWER_TOPIC and not set("+#\x00") & set(topic)

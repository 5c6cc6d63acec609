"""Settings against a plain list of everything ever set: what stands, what is below, what can be undone."""

from dataclasses import dataclass
from math import inf

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from mistd.core.settings import (
    NO_SETTINGS,
    UNDOABLE,
    Key,
    Revision,
    SettingKind,
    Settings,
    TrimSet,
)

KEYS: list[Key] = [(SettingKind.TRIM, "a"), (SettingKind.TRIM, "b"), (SettingKind.SKIP, "a")]
SOME_KEY = st.sampled_from([KEYS[0], *KEYS])
MANY = st.integers(min_value=1, max_value=UNDOABLE)


@dataclass
class Written:
    """A revision on the list, and what became of it."""

    revision: Revision
    is_undone: bool = False
    is_forgotten: bool = False


class SettingsBesideAList(RuleBasedStateMachine):
    """Revisions come, of which some undo others; some numbers are skipped, as where some were lost."""

    def __init__(self) -> None:
        super().__init__()
        self.settings = NO_SETTINGS
        self.written: list[Written] = []
        self.earlier: list[tuple[Settings, dict[Key, int]]] = []

    def write(self, key: Key, undoes: int | None) -> None:
        kind, zone = key
        number = self.last_id() + 1 + len(self.written) % 2
        value = None if undoes else TrimSet(fraction=number / 1000.0, for_s=60.0)
        revision = Revision(
            id=number,
            kind=kind,
            zone=zone,
            value=value,
            ends_s=inf,
            author="ilse",
            note="",
            request_id=f"set-{number}",
            undoes=undoes,
        )
        self.earlier.append((self.settings, {each: self.settings.newest_id(each) for each in KEYS}))
        self.settings = self.settings.with_revision(revision)
        self.written.append(Written(revision))

    def last_id(self) -> int:
        return self.written[-1].revision.id if self.written else 0

    def standing(self, key: Key) -> list[Written]:
        """What was set of a key and not taken back, as far as it is remembered."""
        return [
            each
            for each in self.written
            if each.revision.key == key
            and each.revision.undoes is None
            and not each.is_undone
            and not each.is_forgotten
        ]

    @rule(key=SOME_KEY, times=MANY)
    def somebody_sets(self, key: Key, times: int) -> None:
        for _ in range(times):
            self.write(key, None)
            standing = self.standing(key)
            if len(standing) > UNDOABLE:
                standing[0].is_forgotten = True

    @rule(key=SOME_KEY, times=MANY)
    def somebody_undoes_the_newest(self, key: Key, times: int) -> None:
        for _ in range(times):
            if standing := self.standing(key):
                self.write(key, standing[-1].revision.id)
                standing[-1].is_undone = True

    @rule(key=SOME_KEY, place=st.integers(min_value=0, max_value=UNDOABLE))
    def an_older_one_is_undone(self, key: Key, place: int) -> None:
        """As the core never lets it be; but a list that is read back may have lost what came after it."""
        if standing := self.standing(key):
            undone = standing[place % len(standing)]
            self.write(key, undone.revision.id)
            undone.is_undone = True

    @rule(key=SOME_KEY)
    def an_unknown_one_is_undone(self, key: Key) -> None:
        self.write(key, 1_000_000)

    @invariant()
    def the_newest_is_the_last_that_was_written(self) -> None:
        assert self.settings.last_id == self.last_id()
        for key in KEYS:
            of_key = [each.revision for each in self.written if each.revision.key == key]
            assert self.settings.newest.get(key) is (of_key[-1] if of_key else None)
            assert self.settings.newest_id(key) == (of_key[-1].id if of_key else 0)

    @invariant()
    def the_top_is_the_last_that_stands_and_below_it_the_one_before(self) -> None:
        for key in KEYS:
            standing = [each.revision for each in self.standing(key)]
            top = self.settings.top(key)
            assert top is (standing[-1] if standing else None)
            if top:
                assert self.settings.below(top) is (standing[-2] if len(standing) > 1 else None)

    @invariant()
    def what_stands_is_found_and_nothing_else(self) -> None:
        for each in self.written:
            is_there = each in self.standing(each.revision.key)
            found = self.settings.found(each.revision.id)
            assert found is (each.revision if is_there else None)

    @invariant()
    def what_was_before_is_known_unless_it_was_forgotten(self) -> None:
        for key in KEYS:
            if top := self.settings.top(key):
                has_forgotten = any(each.is_forgotten and each.revision.key == key for each in self.written)
                is_oldest = len(self.standing(key)) == 1
                assert self.settings.is_known_before(top) is not (has_forgotten and is_oldest)

    @invariant()
    def earlier_settings_are_as_they_were(self) -> None:
        for earlier, newest in self.earlier[-3:]:
            assert {key: earlier.newest_id(key) for key in KEYS} == newest


SettingsBesideAList.TestCase.settings = settings(
    deadline=None, derandomize=True, max_examples=40, stateful_step_count=20
)
TestSettingsBesideAList = SettingsBesideAList.TestCase

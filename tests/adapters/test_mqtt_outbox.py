"""The outbox: what is kept, what is dropped, and that nothing holds up the rest."""

import asyncio

from mistd.adapters.mqtt.outbox import MOST_TRIES, Outbox
from mistd.ports.bus import Outgoing


def state(topic: str, payload: bytes = b"1") -> Outgoing:
    return Outgoing(topic=topic, payload=payload, is_state=True)


def event(number: int) -> Outgoing:
    return Outgoing(topic="events", payload=str(number).encode())


def emptied(outbox: Outbox) -> list[Outgoing]:
    taken = []
    while not outbox.is_empty():
        taken.append(outbox.take())
    return taken


def test_only_the_newest_state_of_a_topic_waits() -> None:
    outbox = Outbox(size=10)

    for payload in (b"old", b"newer", b"newest"):
        outbox.put(state("zone", payload))

    assert [state("zone", b"newest")] == emptied(outbox)
    assert outbox.dropped == 0


def test_a_full_outbox_drops_the_oldest_event_and_counts_it() -> None:
    outbox = Outbox(size=3)

    for number in range(5):
        outbox.put(event(number))

    assert [event(2), event(3), event(4)] == emptied(outbox)
    assert outbox.dropped == 2


def test_states_are_never_dropped_for_events() -> None:
    outbox = Outbox(size=1)
    outbox.put(state("zone"))

    for number in range(5):
        outbox.put(event(number))

    assert [state("zone"), event(4)] == emptied(outbox)


def test_states_and_events_take_turns() -> None:
    outbox = Outbox(size=10)
    for number in range(2):
        outbox.put(event(number))
        outbox.put(state(f"zone-{number}"))

    taken = emptied(outbox)

    assert [state("zone-0"), event(0), state("zone-1"), event(1)] == taken


def test_a_new_connection_is_told_every_state_once() -> None:
    outbox = Outbox(size=10)
    outbox.put(state("zone-1"))
    outbox.put(state("zone-2", b"old"))
    emptied(outbox)
    outbox.put(state("zone-2", b"new"))

    count = outbox.queue_all_states()

    assert [state("zone-1"), state("zone-2", b"new")] == [outbox.take_state() for _ in range(count)]
    assert outbox.is_empty()


def test_a_state_that_failed_goes_behind_all_others() -> None:
    outbox = Outbox(size=10)
    for topic in ("poison", "zone-1", "zone-2"):
        outbox.put(state(topic))

    outbox.give_back(outbox.take_state())
    outbox.queue_all_states()

    assert [message.topic for message in emptied(outbox)] == ["zone-1", "zone-2", "poison"]


def test_a_newer_state_is_not_replaced_by_the_one_given_back() -> None:
    outbox = Outbox(size=10)
    outbox.put(state("zone", b"old"))
    under_way = outbox.take()
    outbox.put(state("zone", b"new"))

    outbox.give_back(under_way)

    assert [state("zone", b"new")] == emptied(outbox)


def test_an_event_that_failed_is_sent_first_and_given_up_at_last() -> None:
    outbox = Outbox(size=10)
    outbox.put(event(0))
    outbox.put(event(1))

    tries = 0
    while (message := outbox.take()) == event(0):
        tries += 1
        outbox.give_back(message)

    assert tries == MOST_TRIES
    assert message == event(1)
    assert outbox.dropped == 1


def test_an_event_given_back_to_a_full_outbox_is_the_oldest_and_goes() -> None:
    outbox = Outbox(size=2)
    outbox.put(event(0))
    under_way = outbox.take()
    outbox.put(event(1))
    outbox.put(event(2))

    outbox.give_back(under_way)

    assert [event(1), event(2)] == emptied(outbox)
    assert outbox.dropped == 1


def test_waiting_for_a_message_ends_when_one_is_put() -> None:
    async def wait_and_put() -> Outgoing:
        outbox = Outbox(size=2)
        waiting = asyncio.create_task(outbox.next())
        await asyncio.sleep(0)  # let it begin to wait
        outbox.put(event(7))
        return await asyncio.wait_for(waiting, 1.0)

    assert asyncio.run(wait_and_put()) == event(7)

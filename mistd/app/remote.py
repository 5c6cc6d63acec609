"""What the command line does over the broker: ask, look, watch."""

import asyncio
import json
import shutil
import sys
import uuid
from contextlib import aclosing, suppress
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from mistd.app.config import Config
from mistd.app.messages import REQUESTS, Answer, EventTold
from mistd.app.picture import Picture, event_line, lines
from mistd.app.problems import problems_of
from mistd.app.topics import Topics
from mistd.app.wiring import broker_address, mqtt_ask, mqtt_snapshot, mqtt_watch, wall_time
from mistd.ports.errors import BusError

ANSWER_WITHIN_S = 35.0  # a burst may wait for the line for as long as a request is good
REDRAW_S = 0.5
HOME, CLEAR_TO_END, CLEAR_LINE = "\x1b[H", "\x1b[J", "\x1b[K"
CLEAR_SCREEN = "\x1b[2J"


def problems_of_request(what: str, request: dict[str, Any]) -> list[str]:
    """What is wrong with a request, before it is sent: the daemon would refuse it for the same."""
    model = REQUESTS[what]
    try:
        model.model_validate_json(json.dumps({"id": "x", "issued_at": wall_time().isoformat(), **request}))
    except ValidationError as error:
        return [str(problem) for problem in problems_of(error, model, "")]
    return []


async def ask(config: Config, what: str, request: dict[str, Any]) -> Answer | None:
    """Ask the daemon; None when it does not answer.

    Raises:
        BusError: the broker cannot be reached, or says that the daemon is offline.
    """
    topics = Topics(house_name=config.house.name)
    visitor = f"mistd-{uuid.uuid4().hex[:12]}"
    await _refuse_offline(config, topics, visitor)
    message = {"id": uuid.uuid4().hex, "issued_at": wall_time().isoformat(), **request}
    is_five = config.broker.protocol == "5"
    payload = await mqtt_ask(
        broker_address(config, client_id=visitor),
        topics.ask(what),
        f"{topics.answer}/{visitor}" if is_five else topics.answer,
        message,
        ANSWER_WITHIN_S,
    )
    try:
        return Answer.model_validate_json(payload) if payload else None
    except ValidationError:
        return None


async def _refuse_offline(config: Config, topics: Topics, visitor: str) -> None:
    """Nobody has to wait for an answer that cannot come."""
    address = broker_address(config, client_id=visitor)
    found = await mqtt_snapshot(address, [topics.status], quiet_s=0.2)
    picture = Picture(topics=topics)
    picture.take(topics.status, found.get(topics.status, b""))
    if picture.status is None or picture.status.state == "offline":
        raise BusError(f"the daemon of {config.house.name} is not on this broker: start it with `mistd run`")


async def status(config: Config) -> tuple[list[str], bool]:
    """The house as lines of text, and whether its daemon is there.

    Raises:
        BusError: the broker cannot be reached.
    """
    picture = await picture_of(config)
    return lines(picture, house_now(config, picture)), picture.is_online


async def picture_of(config: Config) -> Picture:
    """Everything that is retained of the house.

    Raises:
        BusError: the broker cannot be reached.
    """
    topics = Topics(house_name=config.house.name)
    picture = Picture(topics=topics)
    address = broker_address(config, client_id=f"mistd-{uuid.uuid4().hex[:12]}")
    for topic, payload in (await mqtt_snapshot(address, [f"{topics.root}/#"])).items():
        picture.take(topic, payload)
    return picture


async def watch(config: Config, *, is_terminal: bool) -> None:
    """Show the house until interrupted.

    Raises:
        BusError: the broker cannot be reached, or is lost.
    """
    topics = Topics(house_name=config.house.name)
    picture = Picture(topics=topics)
    address = broker_address(config, client_id=f"mistd-{uuid.uuid4().hex[:12]}")
    drawing = asyncio.create_task(_draw(config, picture)) if is_terminal else None
    try:
        async with aclosing(mqtt_watch(address, [f"{topics.root}/#"])) as messages:
            async for message in messages:
                picture.take(message.topic, message.payload)
                if drawing is None and message.topic == topics.event and not message.is_retained:
                    _print_event(message.payload, house_now(config, picture))
    finally:
        if drawing:
            drawing.cancel()


async def _draw(config: Config, picture: Picture) -> None:
    sys.stdout.write(CLEAR_SCREEN)
    while True:
        draw(lines(picture, house_now(config, picture)))
        await asyncio.sleep(REDRAW_S)


def draw(page: list[str]) -> None:
    """Write a page over the one before it, without flicker."""
    columns, rows = shutil.get_terminal_size()
    shown = [line if len(line) <= columns else line[: columns - 1] + "…" for line in page][: rows - 1]
    sys.stdout.write(HOME + "".join(f"{line}{CLEAR_LINE}\n" for line in shown) + CLEAR_TO_END)
    sys.stdout.flush()


def _print_event(payload: bytes, now: datetime) -> None:
    try:
        event = EventTold.model_validate_json(payload)
    except ValidationError:
        return
    sys.stdout.write(event_line(event, now) + "\n")
    sys.stdout.flush()


def house_now(config: Config, picture: Picture) -> datetime:
    """The time at the house: on a bench its own clock, which may run faster than life."""
    now = wall_time()
    if picture.status and picture.status.bench:
        with suppress(OverflowError):  # whoever told of such a clock is no bench of ours
            now = picture.status.bench.house_time(now)
    return now.astimezone(ZoneInfo(config.place.time_zone))

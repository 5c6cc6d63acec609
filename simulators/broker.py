"""An embedded MQTT broker on the loopback, for the demo alone: in the field a real broker does this.

It speaks MQTT 3.1.1 only and forgets everything when it ends.
"""

import asyncio
import logging
import socket

LOOPBACK = "127.0.0.1"


async def serve(port: int, stop: "asyncio.Future[str]") -> None:
    """Serve until told to stop.

    Raises:
        OSError: the port is taken.
    """
    from amqtt.broker import Broker  # noqa: PLC0415 - only the demo has it installed

    logging.getLogger("amqtt").setLevel(logging.ERROR)
    logging.getLogger("transitions").setLevel(logging.ERROR)
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"{LOOPBACK}:{port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    await broker.start()
    try:
        await stop
    finally:
        await broker.shutdown()


def is_listening(port: int) -> bool:
    """Whether something accepts connections on a loopback port."""
    with socket.socket() as trial:
        trial.settimeout(0.2)
        return trial.connect_ex((LOOPBACK, port)) == 0

"""The simulated rig on the air: frames of a session published to an MQTT broker when their time has come."""

import asyncio
import math
from collections.abc import Callable, Iterable
from typing import TypeVar

import aiomqtt

from monitor.adapters.mqtt.address import BrokerUrl
from monitor.errors import UserError
from monitor.model.stream import Clock, Frame
from simulators.delivery.pace import PACE_TOPIC, Pacer

C = TypeVar("C", bound=Clock)


async def publish(
    url: BrokerUrl,
    frames: Callable[[C | None], Iterable[Frame]],
    start: Callable[[], C | None],
    pacer: Pacer | None = None,
) -> int:
    """Publish what `frames(clock)` gives, each at its time by the clock (None: as fast as it goes). Returns how many.

    `start` is called once the broker has answered, and gives the clock. Frames marked as retained are published with the
    retain flag. QoS 0: a lost reading is followed by the next one. With `pacer`, how far it has come is published on
    `simulators.delivery.pace.PACE_TOPIC`.

    Raises:
        UserError: the broker cannot be reached, or goes away.
    """
    count = 0
    try:
        async with aiomqtt.Client(
            url.host,
            url.port,
            username=url.user,
            password=url.password,
            tls_context=url.tls_context(),
            timeout=10,
            max_queued_outgoing_messages=0,
        ) as client:
            clock = await asyncio.to_thread(start)
            rate = clock.rate if clock is not None else math.inf
            for frame in frames(clock):
                if clock is not None:
                    ahead = (frame.t_ns - clock.now_ns()) * 1e-9 / rate
                    if ahead > 0.0005:
                        await asyncio.sleep(ahead)
                elif count % 200 == 0:
                    await asyncio.sleep(0)
                if pacer is not None and (mark := pacer.before(frame.t_ns)) is not None:
                    await client.publish(PACE_TOPIC, mark, qos=0)
                await client.publish(frame.topic, frame.payload, qos=0, retain=frame.retained)
                if pacer is not None:
                    pacer.sent(frame.topic)
                count += 1
    except aiomqtt.MqttError as error:
        raise UserError(f"{url}: the simulated rig cannot publish there ({error}): is the broker running?") from None
    return count

"""The embedded broker and the rig's process: what goes in at one end comes out at the other."""

import asyncio
import time

import aiomqtt
import pytest

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.config.rig_file import find_rig
from monitor.errors import UserError
from monitor.model.stream import Frame
from simulators.delivery.broker import embedded_broker, free_port
from simulators.delivery.process import start_simulated_rig
from simulators.delivery.publish import Publisher
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.support.broker import GRACE_S, Mosquitto, until


async def listen(port: int, topic: str, count: int, ready: asyncio.Event) -> list[tuple[str, bytes]]:
    """The first messages that come."""
    got: list[tuple[str, bytes]] = []
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe(topic)
        ready.set()
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            got.append((str(message.topic), message.payload))
            if len(got) == count:
                return got
    return got


async def test_frames_arrive_as_they_were_made() -> None:
    scenario = find_scenario("calm-trip")
    frames: list[Frame] = list(PlantSource(find_rig("land"), scenario, 1, duration_s=4.0))
    assert len(frames) > 400
    with embedded_broker() as address:
        url = parse_broker_url(address, {})
        ready = asyncio.Event()
        listener = asyncio.create_task(listen(url.port, "rig/land/#", len(frames), ready))
        await ready.wait()
        assert await Publisher(url).run(lambda _: frames, lambda: None) == len(frames)
        got = await asyncio.wait_for(listener, GRACE_S)
    assert sorted(got) == sorted((frame.topic, frame.payload) for frame in frames)


async def test_nobody_at_the_address_is_told_in_one_sentence() -> None:
    url = parse_broker_url(f"mqtt://127.0.0.1:{free_port()}", {})
    with pytest.raises(UserError, match="is the broker running"):
        await Publisher(url).run(lambda _: [], lambda: None)


async def heard(port: int, topic: str) -> bytes:
    """The next message of a topic."""
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe(topic)
        message = await asyncio.wait_for(anext(aiter(client.messages)), GRACE_S)
        assert isinstance(message.payload, bytes)
        return message.payload


@pytest.mark.parametrize("once", [False, True])
async def test_a_broker_that_goes_is_reached_again_unless_it_is_to_end(broker: Mosquitto, once: bool) -> None:
    """What came due meanwhile is not sent late; what is retained is sent again to the broker that forgot it."""
    clock = StreamClock(0, 1.0)
    frames = [Frame(0, "rig/kept", b"kept", True)]
    frames += [Frame(50_000_000 * place, "rig/a", b"%d" % place) for place in range(2000)]
    publisher = Publisher(parse_broker_url(broker.url, {}), once=once)
    told: list[str] = []
    running = asyncio.create_task(
        publisher.run(lambda _: frames, lambda: clock, told.append, lambda: told.append("back"))
    )
    try:
        before = int(await heard(broker.port, "rig/a"))
        broker.stop()
        if once:
            with pytest.raises(UserError, match="is the broker running"):
                await asyncio.wait_for(running, GRACE_S)
            return
        await until(lambda: bool(told), "the loss")
        await asyncio.sleep(1.5)
        broker.start()
        await until(lambda: "back" in told, "the broker to be found again")
        after = int(await heard(broker.port, "rig/a"))
        assert after * 50_000_000 > clock.now_ns() - 5_000_000_000
        assert after > before + 20
        assert publisher.skipped > 10
        assert await heard(broker.port, "rig/kept") == b"kept"
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


async def test_the_rig_in_its_own_process_tells_what_the_truth_does() -> None:
    with embedded_broker() as address:
        port = parse_broker_url(address, {}).port
        ready = asyncio.Event()
        listener = asyncio.create_task(listen(port, "rig/land/hoist/drum", 20, ready))
        await ready.wait()
        with start_simulated_rig(address, "land", "runaway-crown", 1, 50.0, 30.0) as rig:
            await asyncio.to_thread(rig.wait_ready)
            origin = time.time_ns()
            rig.go(origin, time.monotonic_ns())
            assert len(await asyncio.wait_for(listener, GRACE_S)) == 20
            await until(lambda: rig.finished, "its end")
        assert [event["name"] for event in rig.events] == ["upper_limit"]
        assert (rig.events[0]["t_ns"] - origin) * 1e-9 == pytest.approx(24.5, abs=3.0)


def test_a_rig_that_cannot_start_says_why() -> None:
    with (
        start_simulated_rig(f"mqtt://127.0.0.1:{free_port()}", "land", "calm-trip", 1, 1.0) as rig,
        pytest.raises(UserError, match=r"the simulated rig did not start: .*is the broker running"),
    ):
        rig.wait_ready()

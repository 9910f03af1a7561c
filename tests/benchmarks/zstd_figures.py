"""The blocks of a session against Zstandard over plain columns: bytes and CPU time a sample, writing and reading.

Run it with ``python -m tests.benchmarks.zstd_figures`` where the package ``zstandard`` is installed, which no part of Stopmark
needs; without it nothing is measured. Both get the same frames in the same blocks of a second: more may not be lost. *Plain
columns* are times, topics, lengths and payloads of a block one after another, as they are, with the first block as Zstandard's
dictionary, as a session has one for zlib. The rule: where the library is within 15 % in size and in time, it wins and the own
code goes.
"""

import argparse
import struct
from collections.abc import Callable, Sequence
from importlib import import_module
from importlib.util import find_spec
from itertools import groupby
from typing import Any, Final

from monitor.adapters.sessions.blocks import BLOCK_NS, pack_block, unpack_block
from monitor.config.rig_file import find_rig
from monitor.model.stream import Frame
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.benchmarks.core_figures import cpu_s, full_rate
from tests.benchmarks.figures import Figure, show

LEVELS: Final = (3, 9, 19)
MARGIN: Final = 1.15
_HEAD: Final = struct.Struct("<II")
Frames = Sequence[Frame]


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=300.0)
    args = parser.parse_args(arguments)
    if find_spec("zstandard") is None:
        print("not measured: the package zstandard is not installed")
        return []
    rig = full_rate(find_rig("land"))
    items = PlantSource(rig, find_scenario("calm-trip"), 1, duration_s=args.seconds).items()
    frames = [item for item in items if isinstance(item, Frame)]
    blocks = [list(group) for _, group in groupby(frames, key=lambda frame: frame.t_ns // BLOCK_NS)]
    _, dictionary = pack_block(blocks[0])
    own = measured(
        "own blocks", blocks, lambda one: pack_block(one, dictionary)[0], lambda one: unpack_block(one, dictionary)
    )
    figures = list(own)
    best = float("inf")
    for level in LEVELS:
        pack, unpack = zstandard(level, plain(blocks[0]))
        found = measured(
            f"Zstandard level {level}, plain columns",
            blocks,
            lambda one, pack=pack: pack(plain(one)),  # type: ignore[misc]
            lambda one, unpack=unpack: frames_of(unpack(one)),  # type: ignore[misc]
        )
        figures += found
        best = min(best, max(one.value / other.value for one, other in zip(found, own, strict=True)))
    return figures + show(
        Figure(
            "Zstandard, best level: its worst of size and both times over the own blocks'", best, "times", f"{MARGIN}"
        )
    )


def measured(
    name: str, blocks: Sequence[Frames], pack: Callable[[Frames], bytes], unpack: Callable[[bytes], list[Frame]]
) -> list[Figure]:
    """Bytes and CPU time a sample, the best of three."""
    count = sum(map(len, blocks))
    packed = [pack(block) for block in blocks]
    assert [unpack(one) for one in packed] == [*blocks], "what was packed comes back"
    write = min(cpu_s(lambda: [pack(block) for block in blocks]) for _ in range(3))
    read = min(cpu_s(lambda: [unpack(one) for one in packed]) for _ in range(3))
    return show(
        Figure(f"{name}: size", sum(map(len, packed)) / count, "bytes a sample"),
        Figure(f"{name}: writing", 1e6 * write / count, "us a sample"),
        Figure(f"{name}: reading", 1e6 * read / count, "us a sample"),
    )


def zstandard(level: int, dictionary: bytes) -> tuple[Callable[[bytes], bytes], Callable[[bytes], bytes]]:
    """Compressing and decompressing with that dictionary."""
    library: Any = import_module("zstandard")
    known = library.ZstdCompressionDict(dictionary, dict_type=library.DICT_TYPE_RAWCONTENT)
    return library.ZstdCompressor(level=level, dict_data=known).compress, library.ZstdDecompressor(
        dict_data=known
    ).decompress


def plain(frames: Frames) -> bytes:
    """Frames as columns: times, topics, lengths, payloads."""
    topics = sorted({frame.topic for frame in frames})
    places = {topic: place for place, topic in enumerate(topics)}
    names = "\n".join(topics).encode()
    count = len(frames)
    return b"".join(
        (
            _HEAD.pack(count, len(names)),
            names,
            struct.pack(f"<{count}q", *[frame.t_ns for frame in frames]),
            struct.pack(f"<{count}H", *[places[frame.topic] for frame in frames]),
            bytes(frame.retained for frame in frames),
            struct.pack(f"<{count}I", *[len(frame.payload) for frame in frames]),
            *[frame.payload for frame in frames],
        )
    )


def frames_of(raw: bytes) -> list[Frame]:
    """Frames from their columns."""
    count, length = _HEAD.unpack_from(raw)
    at = _HEAD.size + length
    topics = raw[_HEAD.size : at].decode().split("\n")
    times = struct.unpack_from(f"<{count}q", raw, at)
    which = struct.unpack_from(f"<{count}H", raw, at + 8 * count)
    retained = raw[at + 10 * count : at + 11 * count]
    lengths = struct.unpack_from(f"<{count}I", raw, at + 11 * count)
    at += 15 * count
    frames = []
    for t_ns, place, kept, length in zip(times, which, retained, lengths, strict=True):
        frames.append(Frame(t_ns, topics[place], raw[at : at + length], kept == 1))
        at += length
    return frames


if __name__ == "__main__":
    main()

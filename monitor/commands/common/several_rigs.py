"""Several rigs for one command: which they are, and what runs them; on a screen, in lines of words or as findings."""

import argparse
import asyncio
import json
import logging
import os
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common.arguments import retention_of
from monitor.commands.common.rig_process import PRELOAD, rig_process
from monitor.commands.common.screen import choose_words
from monitor.errors import UserError
from monitor.language.words import ENGLISH
from monitor.text import harmless

if TYPE_CHECKING:
    from monitor.adapters.host.shutdown import Ending
    from monitor.adapters.mqtt.address import BrokerUrl
    from monitor.config.fleet_file import RigPlace
    from monitor.fleet.rigs.supervisor import Supervisor
    from monitor.model.alarm import Finding
    from monitor.presentation.format import System
    from monitor.runtime.driver import Mode


@dataclass(frozen=True, slots=True)
class SeveralRigs:
    """The rigs that a command was given."""

    places: "tuple[RigPlace, ...]"
    names: tuple[str, ...]
    problems: Mapping[str, str]
    """Of those that cannot be watched now: why, by name."""
    units: "System"
    """Of the first rig that can be read."""


def is_one(args: argparse.Namespace) -> bool:
    """Whether the words name one rig, by itself."""
    return args.fleet is None and len(args.rigs) == 1


def broker_of(args: argparse.Namespace) -> str:
    """The broker's address.

    Raises:
        UserError: neither the words nor the fleet's file have one.
    """
    from monitor.config.fleet_file import read_fleet

    address = args.broker or (read_fleet(args.fleet)[1] if args.fleet is not None else None)
    if address is None:
        raise UserError("no broker is named: give --broker mqtt://host[:port]")
    return str(address)


def several_rigs(args: argparse.Namespace) -> SeveralRigs:
    """The rigs that the words name. One that cannot be watched is a problem of its own.

    Raises:
        UserError: none can be watched, two have one name, or the fleet's file has mistakes.
    """
    from monitor.config.fleet_file import MOST_RIGS, RigPlace, check_names, read_fleet
    from monitor.config.toml_file import ConfigError

    places = read_fleet(args.fleet)[0] if args.fleet is not None else [RigPlace(word) for word in args.rigs]
    if len(places) > MOST_RIGS:
        raise UserError(f"{len(places)} rigs are too many for one monitor: {MOST_RIGS} at most")
    names: list[str] = []
    problems: dict[str, str] = {}
    units: list[System] = []
    for place in places:
        try:
            rig = place.rig()
        except ConfigError as error:
            names.append(place.label)
            problems[place.label] = str(error)
        else:
            names.append(rig.name)
            units.append(rig.units)
    if not units:
        raise ConfigError(list(problems.values()))
    check_names(names)
    return SeveralRigs(tuple(places), tuple(names), problems, units[0])


def supervisor_of(
    args: argparse.Namespace,
    rigs: SeveralRigs,
    url: "BrokerUrl",
    mode: "Mode" = "LIVE",
    on_finding: "Callable[[str, Finding], None]" = lambda name, finding: None,
) -> "Supervisor":
    """What runs them. Each rig's sessions and ledger go into a folder of its name; the rigs share the disk's bounds.

    Raises:
        UserError: the rules have mistakes.
    """
    from monitor.adapters.sessions.folder import data_folder
    from monitor.config.rules_file import default_rules_path, rule_tables
    from monitor.config.toml_file import parse_toml, read_text
    from monitor.fleet.rigs.supervisor import Supervisor

    for rules in {str(args.rules or default_rules_path()), *(place.rules for place in rigs.places if place.rules)}:
        rule_tables(parse_toml(read_text(Path(rules)), rules), rules)
    share = retention_of(args).max_disk_share
    its = argparse.Namespace(
        data=str(data_folder(args.data)), rules=args.rules, no_record=args.no_record, seconds=args.seconds,
        keep_days=args.keep_days, keep_free=args.keep_free,
        keep_share=float("inf") if share is None else share / len(rigs.places),
        # A service shows nothing, so that it has no choice of words.
        language=getattr(args, "language", ENGLISH), words=getattr(args, "words", None),
    )  # fmt: skip
    target = partial(rig_process, url=url, args=its, mode=mode)
    return Supervisor(rigs.places, rigs.names, target, PRELOAD, on_finding)


def url_of(args: argparse.Namespace, say: Callable[[str], None]) -> "BrokerUrl":
    """The broker, with what there is to say about passwords said.

    Raises:
        UserError: there is none, or it cannot be used.
    """
    from monitor.adapters.mqtt.address import exposed_password, open_secrets, parse_broker_url

    credentials = Path(args.credentials) if args.credentials else None
    url = parse_broker_url(broker_of(args), os.environ, credentials, args.allow_open_credentials)
    for words in (*open_secrets(url, credentials), *exposed_password(url)):
        say(words)
    return url


def watch_several(args: argparse.Namespace, url: "BrokerUrl", mode: "Mode", say: Callable[[str], None]) -> int:
    """Watch several rigs until the end."""
    from monitor.adapters.host.shutdown import Ending

    rigs = several_rigs(args)
    for name, problem in rigs.problems.items():
        say(f"{name} is not watched, the other rigs are: {problem}")
    with Ending() as ending:
        ending.step("the first rigs")
        if args.web:
            return _in_browsers(args, rigs, url, mode, ending)
        if args.headless:
            return asyncio.run(_headless(args, rigs, url, mode, ending))
        choose_words(args)
        return asyncio.run((_plain if args.plain else _on_screen)(args, rigs, url, mode, ending))


async def _on_screen(
    args: argparse.Namespace, rigs: SeveralRigs, url: "BrokerUrl", mode: "Mode", ending: "Ending"
) -> int:
    from monitor.adapters.host.line_writer import last_words
    from monitor.fleet.rigs.app import OwnRigs, Screens
    from monitor.presentation.format import Units

    logging.getLogger().addHandler(logging.NullHandler())  # the screen shows it; a line would tear the screen
    async with supervisor_of(args, rigs, url, mode) as supervisor:
        screens = Screens(OwnRigs(supervisor), mode, Units(rigs.units), args.theme, args.sound != "off")
        ending.attach(screens.stop)
        code = await screens.run()
        last_words(f"ending {len(rigs.places)} rigs", sys.stdout)
    if not args.no_record:
        last_words(f"recorded, each rig in a folder of its own, in {harmless(_folder(args))}", sys.stdout)
    return code


async def _plain(args: argparse.Namespace, rigs: SeveralRigs, url: "BrokerUrl", mode: "Mode", ending: "Ending") -> int:
    from monitor.adapters.host.line_writer import LineWriter
    from monitor.fleet.rigs.plain import PlainOverview, run_plain_overview
    from monitor.presentation.format import Units

    logging.getLogger().addHandler(logging.NullHandler())
    stopped = False

    def stop() -> None:
        nonlocal stopped
        stopped = True

    with LineWriter() as output:
        screen = PlainOverview(output, Units(rigs.units), args.sound != "off")
        async with supervisor_of(args, rigs, url, mode, screen.finding) as supervisor:
            ending.attach(stop)
            await run_plain_overview(supervisor, screen, lambda: stopped or output.gone)
    return 0


def _in_browsers(args: argparse.Namespace, rigs: SeveralRigs, url: "BrokerUrl", mode: "Mode", ending: "Ending") -> int:
    """The overview, and from it each rig's own screen, in any number of browsers. Headless prints findings besides."""
    from monitor.adapters.host.line_writer import LineWriter
    from monitor.web import listen

    choose_words(args)
    with listen(args.bind, args.port) as page, LineWriter() as output:

        async def serve() -> "Supervisor":
            from monitor.fleet.rigs.browsers import MODULE, PERIOD_S, AllRigs
            from monitor.fleet.rigs.supervisor import happens
            from monitor.runtime.runner import TICK_S
            from monitor.web.hub import Hub

            async with supervisor_of(args, rigs, url, mode, _writes(output, args.headless)) as supervisor:

                async def run(stop: asyncio.Event) -> None:
                    while not (stop.is_set() or supervisor.finished):
                        await happens(stop, TICK_S)

                hub = Hub(AllRigs(supervisor, mode, rigs.units), PERIOD_S)
                await page.show(hub, run, ending, MODULE)
            return supervisor

        supervisor = asyncio.run(serve())
        if args.headless:
            output(json.dumps(summary_of_rigs(supervisor, mode)))
    return 0


def _writes(output: Callable[[str], None], wanted: bool = True) -> "Callable[[str, Finding], None]":
    """What prints findings with the rig's name, where that is wanted."""
    from monitor.runtime.findings import finding_dict

    def write(name: str, finding: "Finding") -> None:
        if wanted:
            output(json.dumps({"rig": name, **finding_dict(finding)}, allow_nan=False))

    return write


async def _headless(
    args: argparse.Namespace, rigs: SeveralRigs, url: "BrokerUrl", mode: "Mode", ending: "Ending"
) -> int:
    from monitor.adapters.host.line_writer import LineWriter
    from monitor.fleet.rigs.supervisor import happens
    from monitor.runtime.runner import TICK_S

    stopped = asyncio.Event()
    with LineWriter() as output:
        async with supervisor_of(args, rigs, url, mode, _writes(output)) as supervisor:
            ending.attach(stopped.set)
            while not (stopped.is_set() or supervisor.finished or (output.gone and args.no_record)):
                await happens(stopped, TICK_S)
        output(json.dumps(summary_of_rigs(supervisor, mode)))
    return 0


def summary_of_rigs(supervisor: "Supervisor", mode: "Mode") -> dict[str, object]:
    """What a headless run of several rigs prints last: the summary of each, or why there is none."""
    return {
        "summary": mode.lower(),
        "rigs": {
            rig.name: rig.summary or {"problem": rig.problem or "ended before it told its summary"}
            for rig in supervisor.rigs
        },
        "starts": {rig.name: rig.starts for rig in supervisor.rigs},
    }  # fmt: skip


def _folder(args: argparse.Namespace) -> str:
    from monitor.adapters.sessions.folder import data_folder

    return str(data_folder(args.data))

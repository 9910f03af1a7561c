"""`stopmark scenarios`: what can happen on the simulated rig."""

import argparse
import json


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    parser.add_argument("--json", action="store_true", help="machine-readable, one object")


def run(args: argparse.Namespace) -> int:
    """List them; every mistake in any file is reported at once."""
    from monitor.config.toml_file import ConfigError
    from simulators.scenario.scenario import load_scenario, shipped_scenarios

    problems: list[str] = []
    found = []
    for name, path in shipped_scenarios().items():
        try:
            scenario = load_scenario(path)
        except ConfigError as error:
            problems += error.problems
            continue
        found.append((name, scenario))
    if problems:
        raise ConfigError(problems)
    if args.json:
        print(json.dumps({name: json.loads(scenario.model_dump_json()) for name, scenario in found}, indent=1))
        return 0
    width = max(len(name) for name, _ in found)
    for name, scenario in found:
        print(f"{name:<{width}}  {scenario.description}  [{scenario.rig}, {scenario.duration_s:g} s]")
    return 0

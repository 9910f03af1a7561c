"""Findings for whoever reads a run's output: as plain data, as lines of JSON, and counted for the summary."""

import json
from dataclasses import asdict
from typing import Any

from monitor.model.alarm import Finding, Severity


def finding_dict(finding: Finding) -> dict[str, Any]:
    """A finding as plain data, the severity by its word."""
    plain = asdict(finding)
    plain["severity"] = finding.severity.name
    for name in ("number", "threshold"):
        value = plain[name]
        if value is not None and not (-1e300 < value < 1e300):
            plain[name] = None
    return plain


def finding_line(finding: Finding) -> str:
    """One finding as one line of JSON."""
    return json.dumps(finding_dict(finding), allow_nan=False)


def print_finding(finding: Finding) -> None:
    """Print one finding as a line of JSON. Waits for the reader of stdout, so not for live runs."""
    print(finding_line(finding), flush=True)


class Tally:
    """Counts findings for the summary line. A sink."""

    def __init__(self) -> None:
        self.raised: dict[str, int] = {severity.name: 0 for severity in Severity}
        self.first: dict[str, int] = {}

    def __call__(self, finding: Finding) -> None:
        """Count a finding; of alarms, only those that became active."""
        if finding.raised:
            self.raised[finding.severity.name] += 1
            self.first.setdefault(finding.key, finding.t_ns)

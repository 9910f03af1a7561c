"""The report says words where a figure says nothing, and tells what a signal read from its threshold."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.analysis.recording import Recording
from monitor.model.alarm import Finding, Severity
from monitor.presentation.format import Units
from monitor.report.attention import attention_table
from monitor.report.context import ReportContext
from monitor.report.tables import line_table


def context_of(rec: Recording, **columns: float) -> ReportContext:
    """The report of `rec` with columns of one number."""
    changed = {name: np.full_like(rec[name], number) for name, number in columns.items()}
    return ReportContext(replace(rec, columns={**rec.columns, **changed}), Units("si"))


def finding(key: str, number: float | None, threshold: float | None) -> Finding:
    return Finding(0, "alarm", key, Severity.WARNING, "normal", "unacknowledged", "It", "", number, threshold)


def test_an_empty_hook_all_along_has_no_design_factor(crown_rec: Recording) -> None:
    context = context_of(crown_rec, design_factor=854_000.0)
    shown = line_table(context) + attention_table(context)
    assert "854000" not in shown
    assert "no load to speak of" in shown


@pytest.mark.parametrize(
    ("key", "number", "threshold", "shown"),
    [
        ("brake-now-down", -0.004, 0.0, ("−4 mm", "0 mm")),
        ("design-factor-low", 2.9996, 3.0, ("2.9996", "3.0000")),
        ("brake-now-down", None, 0.0, ("not known", "0 mm")),
        ("brake-now-down", -0.4, None, ("−0.40 m", "not known")),
        ("ease-down", 999.0, 4.0, ("not near", "4.0 s")),
        ("disconnected", 1.0, 0.5, ("", "")),
        ("no-such-rule", 1.0, 0.5, ("", "")),
    ],
)
def test_value_and_threshold_of_an_alarm(
    crown_rec: Recording, key: str, number: float | None, threshold: float | None, shown: tuple[str, str]
) -> None:
    assert context_of(crown_rec).value_and_limit(finding(key, number, threshold)) == shown

"""Alarm statistics, against the published figures and against cases counted by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.analysis.alarm_figures import figures, spans
from monitor.model.alarm import AlarmState, Finding, Severity

S = 1_000_000_000
DAY = 86_400 * S


def said(t_s: float, key: str, after: AlarmState, severity: Severity = Severity.CAUTION, message: str = "x") -> Finding:
    return Finding(round(t_s * S), "alarm", key, severity, "", after, message)


def rings(times: list[float], key: str = "a", severity: Severity = Severity.CAUTION) -> list[Finding]:
    return [f for t in times for f in (said(t, key, AlarmState.UNACKNOWLEDGED, severity),
                                       said(t + 5, key, AlarmState.RETURNED, severity))]  # fmt: skip


def test_a_flood_begins_above_ten_and_ends_below_five() -> None:
    # One alarm each 20 s for 400 s: the 11th, at 200 s, begins it. Fewer than five are left in the last ten minutes when
    # the sixteenth is over ten minutes old.
    times = [20.0 * i for i in range(20)]
    found = figures(rings(times), 0, 3600 * S)
    assert found.most_in_10_min == 20
    assert found.intervals_above_10 == 1
    begins, ends = 200.0, times[15] + 600.0
    assert found.flood_share * 3600 == pytest.approx(ends - begins)


def test_a_flood_needs_more_than_ten() -> None:
    assert figures(rings([20.0 * i for i in range(10)]), 0, 3600 * S).flood_share == 0.0


def test_chattering_is_three_in_a_minute() -> None:
    assert figures(rings([0, 20, 40]), 0, 600 * S).chattering == ("a",)
    assert figures(rings([0, 40, 80]), 0, 600 * S).chattering == ()


def test_fleeting_is_over_before_anybody_could_see_to_it() -> None:
    quick = [said(1, "q", AlarmState.UNACKNOWLEDGED), said(2, "q", AlarmState.RETURNED)]
    slow = [said(1, "s", AlarmState.UNACKNOWLEDGED), said(9, "s", AlarmState.RETURNED)]
    still = [said(1, "open", AlarmState.UNACKNOWLEDGED)]
    assert figures([*quick, *slow, *still], 0, 2 * S).fleeting == ("q",)


def test_stale_is_true_for_more_than_a_day() -> None:
    findings = [said(0, "old", AlarmState.UNACKNOWLEDGED), said(10, "old", AlarmState.ACKNOWLEDGED)]
    assert figures(findings, 0, DAY + S).stale == ("old",)
    assert figures(findings, 0, DAY - S).stale == ()


def test_time_to_acknowledge_and_priorities() -> None:
    findings = [
        *(said(t, key, AlarmState.UNACKNOWLEDGED, level) for t, key, level in
          ((0, "a", Severity.CAUTION), (10, "b", Severity.WARNING), (20, "c", Severity.DANGER))),
        said(30, "a", AlarmState.ACKNOWLEDGED), said(60, "b", AlarmState.ACKNOWLEDGED),
    ]  # fmt: skip
    found = figures(findings, 0, 600 * S)
    assert found.acknowledged == 2
    assert found.median_acknowledge_s == 40.0
    assert [found.by_severity[level] for level in Severity] == [0, 1, 1, 1]


def test_a_span_goes_from_the_ring_to_the_end_of_the_condition() -> None:
    findings = [
        said(1, "a", AlarmState.UNACKNOWLEDGED), said(4, "a", AlarmState.ACKNOWLEDGED), said(9, "a", AlarmState.NORMAL),
        said(20, "b", AlarmState.UNACKNOWLEDGED),
    ]  # fmt: skip
    first, second = spans(findings, 30 * S)
    assert (first.from_ns, first.to_ns, first.over, first.acknowledged_ns) == (S, 9 * S, True, 4 * S)
    assert (second.from_ns, second.to_ns, second.over, second.acknowledged_ns) == (20 * S, 30 * S, False, None)


_states = st.sampled_from(AlarmState)


@given(st.lists(st.tuples(st.floats(0, 1e5), st.sampled_from("abc"), _states, st.sampled_from(Severity)), max_size=60))
def test_any_story_has_figures(story: list[tuple[float, str, AlarmState, Severity]]) -> None:
    findings = [said(t, key, state, level) for t, key, state, level in sorted(story, key=lambda item: item[0])]
    found = figures(findings, 0, 100_000 * S)
    assert found.raised == sum(f.after == AlarmState.UNACKNOWLEDGED for f in findings)
    assert sum(count for _, count in found.by_key) == found.raised == sum(found.by_severity.values())
    assert 0.0 <= found.flood_share <= 1.0
    assert all(0 <= span.from_ns <= span.to_ns for span in spans(findings, 100_000 * S))


def test_a_prompt_is_drawn_but_is_no_alarm() -> None:
    prompt = [Finding(t * S, "prompt", "ease-up", Severity.NOTICE, before, after, "x")
              for t, before, after in ((1, AlarmState.NORMAL, AlarmState.ACKNOWLEDGED),
                                       (4, AlarmState.ACKNOWLEDGED, AlarmState.NORMAL))]  # fmt: skip
    found = figures(prompt, 0, 600 * S)
    assert (found.raised, found.acknowledged, found.fleeting) == (0, 0, ())
    (span,) = spans(prompt, 600 * S)
    assert (span.from_ns, span.to_ns, span.over) == (S, 4 * S, True)

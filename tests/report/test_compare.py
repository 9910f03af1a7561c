"""What other rules would have said."""

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.chain import SessionChain
from monitor.core.types import Finding, Severity
from monitor.report.compare import changed_rules, compare, pair
from tests.report.recorded import rules

S = 1_000_000_000


def test_the_same_rules_say_what_was_recorded(crown: Path) -> None:
    with SessionChain([crown]) as chain:
        text = chain.rules_text
        result = compare(chain, ((text, "a"), (text, "b")))
        recorded = [f for f in chain.findings() if f.kind == "alarm" and f.after == "unacknowledged"]
        assert changed_rules(chain, ((text, "a"), (text, "b"))) == []
    assert result.differences == []
    assert result.first == result.second == recorded
    assert result.same == len(recorded) > 0


def test_an_earlier_threshold_is_told_sooner_and_a_higher_severity_is_told(crown: Path) -> None:
    other = rules().replace('trip = "rig:limits.ease_s"', "trip = 6.0").replace('"1.25 * rig:limits.ease_s"', "7.0")
    head, mark, tail = other.partition('id = "brake-now-up"')
    other = head + mark + tail.replace('severity = "WARNING"', 'severity = "DANGER"', 1)
    with SessionChain([crown]) as chain:
        sets = ((rules(), "a"), (other, "b"))
        result = compare(chain, sets)
        words = changed_rules(chain, sets)
    assert "ease-up: trip 4 in A, 6 in B" in words
    by_key = {difference.key: difference for difference in result.differences}
    sooner = by_key["ease-up"].later_s
    assert sooner is not None
    assert -4.0 < sooner < -1.0
    raised = by_key["brake-now-up"]
    assert raised.first is not None
    assert raised.second is not None
    assert (raised.first.severity, raised.second.severity) == (Severity.WARNING, Severity.DANGER)


_findings = st.lists(
    st.builds(
        lambda t, key: Finding(t * S, "alarm", key, Severity.NOTICE, "", "unacknowledged", "x"),
        st.integers(0, 500),
        st.sampled_from("ab"),
    ),
    max_size=20,
)


@given(_findings, _findings)
def test_every_alarm_is_in_exactly_one_pair(first: list[Finding], second: list[Finding]) -> None:
    pairs = pair(first, second)
    assert sorted(id(p.first) for p in pairs if p.first is not None) == sorted(map(id, first))
    assert sorted(id(p.second) for p in pairs if p.second is not None) == sorted(map(id, second))
    for p in pairs:
        if p.later_s is not None:
            assert abs(p.later_s) <= 30.0 + 1e-6

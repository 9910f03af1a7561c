"""What other rules would have said."""

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.rule_comparison import changed_rules, compare, pair
from monitor.model.alarm import Finding, Severity
from tests.support.recorded import changed, rules

S = 1_000_000_000
BEGINS = (("alarm", "unacknowledged"), ("prompt", "acknowledged"))


def test_the_same_rules_say_what_was_recorded(crown: Path) -> None:
    with SessionChain([crown]) as chain:
        text = chain.rules_text
        result = compare(chain, ((text, "a"), (text, "b")))
        recorded = [f for f in chain.findings() if (f.kind, f.after) in BEGINS]
        assert changed_rules(chain, ((text, "a"), (text, "b"))) == []
    assert result.differences == []
    assert result.first == result.second == recorded
    assert result.same == len(recorded) > 0


def test_a_longer_delay_is_told_later_and_another_severity_is_told(crown: Path) -> None:
    other = changed(rules(), "brake-now-up", on_delay_s=0.6)
    other = changed(other, "will-cross-up", severity="WARNING")
    with SessionChain([crown]) as chain:
        sets = ((rules(), "a"), (other, "b"))
        result = compare(chain, sets)
        words = changed_rules(chain, sets)
    assert "will-cross-up: severity DANGER in A, WARNING in B" in words
    assert any(word.startswith("brake-now-up: on_delay_s ") and word.endswith(" in B") for word in words)
    by_key = {difference.key: difference for difference in result.differences}
    later = by_key["brake-now-up"].later_s
    assert later is not None
    assert 0.3 < later < 0.7
    past = by_key["will-cross-up"]
    assert past.first is not None
    assert past.second is not None
    assert (past.first.severity, past.second.severity) == (Severity.DANGER, Severity.WARNING)


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

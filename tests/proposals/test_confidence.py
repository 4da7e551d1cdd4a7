"""What a stated confidence means: the share of such proposals that were right, never certainty."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.proposals.confidence import RECORDS, calibrated


def test_the_rule_of_succession_on_the_counted_dies():
    # 25 dies of 25 right: 26 / 27; of 18 arrays 17 right: 18 / 20.
    assert calibrated("logic", 0.85) == pytest.approx(26 / 27)
    assert calibrated("memory_array", 0.9) == pytest.approx(0.9)


def test_evidence_weaker_than_any_counted_lowers_the_confidence():
    assert calibrated("logic", 0.405) == pytest.approx(0.5 * 26 / 27)


@given(st.sampled_from(sorted(RECORDS)), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_more_evidence_never_lowers_it_and_nothing_is_certain(kind, one, other):
    low, high = sorted((one, other))
    assert 0.0 <= calibrated(kind, low) <= calibrated(kind, high) < 1.0


def test_a_kind_that_claims_nothing_keeps_its_own():
    assert calibrated("other", 0.3) == 0.3

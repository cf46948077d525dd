"""The oracle can fail: every seeded defect is caught, by a rule that is about it.  On the whole relay the same
histories hold (test_machine)."""

import pytest
from course import Course
from defects import DEFECTS
from histories import HISTORIES
from oracle import Violation


@pytest.mark.parametrize("name", DEFECTS)
def test_a_defect_is_caught(name, monkeypatch):
    make, history, rules = DEFECTS[name]
    setup, acts, _ = HISTORIES[history]
    make(monkeypatch)
    with pytest.raises(Violation) as caught:
        Course(**setup).play(acts)
    print(caught.value)
    assert caught.value.number in rules.split()

"""What decides answers in frozen types; each stands in JSON and comes back as it was, whatever it holds."""

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from amphora.harness.common.as_json import from_json, to_json
from amphora.harness.decisions.compared import Comparison
from amphora.harness.decisions.fit_answer import Fit
from amphora.harness.decisions.grades import Graded
from amphora.harness.decisions.matching import Matched
from tests.support.any_of_a_type import made


@pytest.mark.parametrize("kind", [Comparison, Fit, Graded, Matched])
@settings(max_examples=20, deadline=None, database=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_an_answer_comes_back_from_json_as_it_was(kind: type[Any], data: st.DataObject) -> None:
    answer = data.draw(made(kind))
    assert from_json(kind, json.loads(json.dumps(to_json(answer), allow_nan=False))) == answer

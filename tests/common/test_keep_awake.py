import sys
import threading
import types

import pytest

import amphora.harness.common.keep_awake as awake_module
from amphora.harness.common.keep_awake import stay_awake


class Mode:
    """Stands in for what the library's `keep.running` gives."""

    def __init__(self, active=True, answers=True, error=None):
        self.active, self.error = active, error
        self.answers = threading.Event()
        if answers:
            self.answers.set()
        self.method = types.SimpleNamespace(name="a method")
        self.result = types.SimpleNamespace(get_failure_text=lambda: "no service answers")
        self.entered = self.left = 0

    def __enter__(self):
        self.answers.wait(60.0)
        if self.error:
            raise self.error
        self.entered += 1
        return self

    def __exit__(self, *_):
        self.left += 1


@pytest.fixture
def system(monkeypatch):
    def put(mode):
        library = types.SimpleNamespace(keep=types.SimpleNamespace(running=lambda on_fail: mode))
        monkeypatch.setitem(sys.modules, "wakepy", library)
        return mode

    return put


def test_it_holds_for_as_long_as_the_with_lasts(system):
    mode = system(Mode())
    with stay_awake() as awake:
        assert awake.works and "a method" in awake.text
        assert (mode.entered, mode.left) == (1, 0)
    assert mode.left == 1


def test_a_system_that_cannot_says_why_and_the_run_goes_on(system):
    system(Mode(active=False))
    with stay_awake() as awake:
        assert not awake.works and "no service answers" in awake.text


def test_an_error_of_the_library_stops_nothing(system):
    system(Mode(error=RuntimeError("bus is gone")))
    with stay_awake() as awake:
        assert not awake.works and "bus is gone" in awake.text


def test_a_library_that_is_missing_stops_nothing(monkeypatch):
    monkeypatch.setitem(sys.modules, "wakepy", None)
    with stay_awake() as awake:
        assert not awake.works


def test_a_service_that_does_not_answer_delays_no_longer_than_its_limit(system, monkeypatch):
    monkeypatch.setattr(awake_module, "ENTER_LIMIT_S", 0.05)
    monkeypatch.setattr(awake_module, "LEAVE_LIMIT_S", 0.01)
    mode = system(Mode(answers=False))
    with stay_awake() as awake:
        assert not awake.works and "no answer" in awake.text
    assert not mode.answers.is_set()  # neither way was waited for it
    mode.answers.set()
    for thread in threading.enumerate():
        if thread.name == "stay-awake":
            thread.join()


def test_an_error_inside_the_with_comes_through(system):
    mode = system(Mode())
    with pytest.raises(KeyError), stay_awake():
        raise KeyError("mine")
    assert mode.left == 1


def test_on_this_very_computer_it_answers_and_raises_nothing():
    with stay_awake() as awake:
        assert isinstance(awake.works, bool) and awake.text


def test_a_computer_that_may_fall_asleep_is_a_warning_in_plain_words_and_one_that_stays_awake_is_none():
    assert awake_module.Awake(True, "stays awake").warning == ""
    warning = awake_module.Awake(False, "may fall asleep (no service answers)").warning
    assert "may fall asleep" in warning and "lid" in warning and "no service" not in warning

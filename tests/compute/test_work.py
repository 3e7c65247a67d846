"""Work in the background: one piece for one key, cancelled by the one who asked."""

import threading

from server.compute.work import Report, Workshop


def _wait(workshop: Workshop, key: str) -> None:
    for thread in threading.enumerate():
        if thread.name.startswith("work "):
            thread.join(30.0)
    found = workshop.find(key)
    assert found is not None
    assert found.state != "working"


def test_a_second_start_joins_the_first_and_a_later_one_begins_anew() -> None:
    workshop, go, calls = Workshop(), threading.Event(), []

    def act(report: Report) -> None:
        calls.append(1)
        report(0.5, "half")
        go.wait(30.0)

    first = workshop.start("a", "fit", act)
    assert workshop.start("a", "fit", act) is first
    other = workshop.start("b", "fit", act)
    assert other is not first
    go.set()
    _wait(workshop, "a")
    _wait(workshop, "b")
    assert len(calls) == 2
    assert (first.state, first.share) == ("done", 1.0)
    again = workshop.start("a", "fit", act)
    assert again is not first
    _wait(workshop, "a")
    assert len(calls) == 3


def test_work_stops_at_its_next_step_once_cancelled_and_its_share_never_falls() -> None:
    workshop, there, cancelled, steps = Workshop(), threading.Event(), threading.Event(), []

    def act(report: Report) -> None:
        report(0.6, "far")
        report(0.2, "back")
        there.set()
        cancelled.wait(30.0)
        report(0.9, "never reached")
        steps.append("too far")

    work = workshop.start("a", "fit", act)
    assert there.wait(30.0)
    workshop.cancel("a")
    cancelled.set()
    _wait(workshop, "a")
    assert (work.state, work.share, work.step, steps) == ("cancelled", 0.6, "back", [])


def test_work_that_fails_says_so_without_the_details() -> None:
    workshop = Workshop()

    def act(report: Report) -> None:
        raise ZeroDivisionError("secret path")

    work = workshop.start("a", "fit", act)
    _wait(workshop, "a")
    assert (work.state, "secret" in work.message) == ("failed", False)
    assert "ZeroDivisionError" in work.message

"""The job's states, driven without any process."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from partsong.engine import jobs


def after(*events: jobs.Event, size: int = 10) -> tuple[jobs.Job, tuple[jobs.Action, ...]]:
    job, actions = jobs.Job("Frames 0 to 9", size), ()
    for event in events:
        job, actions = jobs.step(job, event)
    return job, actions


def test_a_job_that_goes_well():
    job, actions = after(jobs.Begun(7), jobs.Advanced(1, 2), jobs.Finished())
    assert (job.state, job.advanced, job.worker, actions) == ("done", 10, None, ("keep result",))


def test_progress_is_told_in_the_jobs_own_units():
    assert after(jobs.Begun(7), jobs.Advanced(30, 120))[0].advanced == 2  # a quarter of ten, halves to even


def test_a_lost_job_is_begun_again_and_given_up_after_three_attempts():
    once = (jobs.Begun(7), jobs.Lost())
    job, actions = after(*once)
    assert (job.state, job.advanced, actions) == ("waiting", 0, ("replace worker", "queue again"))
    job, actions = after(*once * jobs.ATTEMPTS)
    assert (job.state, actions) == ("failed", ("report loss",))


def test_stopping_tells_only_running_workers():
    assert after(jobs.AskedToStop()) == (jobs.Job("Frames 0 to 9", 10, state="stopped"), ())
    assert after(jobs.Begun(7), jobs.AskedToStop())[1] == ("tell worker to stop",)


EVENTS = st.sampled_from(
    [jobs.Begun(1), jobs.Advanced(1, 3), jobs.Finished(), jobs.Failed(), jobs.Lost(), jobs.AskedToStop()]
)


@given(st.lists(EVENTS, max_size=30))
def test_an_end_is_an_end(events):
    job, ended = jobs.Job("Frames 0 to 9", 10), None
    for event in events:
        job, actions = jobs.step(job, event)
        if ended is not None:
            assert job == ended
            assert actions == ()
        if job.state in ("done", "failed", "stopped"):
            ended = job
        assert 0 <= job.advanced <= job.size
        assert job.attempt <= jobs.ATTEMPTS

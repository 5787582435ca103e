"""The demo's two jobs: a finished one that shows every page at its best, beside one to try things on."""

import pytest

from inspect_app.decide.limits import Verdict
from inspect_app.demo import load_demo, load_finished
from inspect_app.services import Stage, find_jobs, hand_measures, job_view, left_to_decide, open_store
from inspect_app.services.estimating import estimates
from inspect_app.services.heights import fret_work
from inspect_app.services.papers import proof_of

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def store(finished_made):
    opened = open_store(finished_made())
    yield opened
    opened.close()


def test_the_finished_job_is_agreed_proved_and_handed_over(store):
    job = load_finished(store)
    assert job_view(store, job).stage is Stage.HANDED_OVER
    ((status, promised),) = [(e.status, e.estimate.replaced) for e in estimates(store, job)]
    assert (status, promised) == ("accepted", (1, 2, 3, 4, 5))  # those that its photos after the work show as new
    done = {w.kind: set(w.frets) for w in fret_work(store, job)}
    assert done == {"replaced": set(promised), "levelled": set(range(6, 21))}
    checks = proof_of(store, job)
    assert len(checks) > 10
    assert {c.what: c.verdict for c in checks if c.verdict is not Verdict.WITHIN} == {}
    assert left_to_decide(store, job).features == 1
    noted = [p for p in job_view(store, job).photos if p.view == "finding"]
    assert [bool(p.note and p.category) for p in noted] == [True]
    (apart,) = [m.result for p in job_view(store, job).photos for m in hand_measures(store, p.id)]
    scale = job_view(store, job).details.instrument.scale_length
    assert abs(apart.value - scale * (2 ** (-1 / 12) - 2 ** (-2 / 12))) < apart.expanded  # the equal-tempered rule
    assert load_finished(store) == job
    assert find_jobs(store).total == 2


def test_the_job_to_try_asks_for_thirty_decisions_at_most(store):
    """Its sure readings are accepted together: one action, and one for each feature left."""
    job = load_demo(store)
    assert job_view(store, job).stage is Stage.REVIEW
    left = left_to_decide(store, job)
    assert 0 < left.features <= 29
    assert left.of_features > 100

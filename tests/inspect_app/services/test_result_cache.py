"""Results kept: worked out once for equal inputs, in however many threads, and never an error."""

from concurrent.futures import ThreadPoolExecutor
from threading import Event

import pytest

from inspect_app.services.result_cache import ResultCache


def test_a_second_thread_waits_for_the_first_instead_of_working_it_out_again():
    kept, begun, go_on, times = ResultCache[str](2), Event(), Event(), []

    def slowly():
        times.append(1)
        begun.set()
        assert go_on.wait(10)
        return "made"

    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(kept.of, (1,), slowly)
        assert begun.wait(10)
        second = pool.submit(kept.of, (1,), slowly)
        go_on.set()
        assert (first.result(10), second.result(10)) == ("made", "made")
    assert times == [1]


def test_an_error_is_told_and_not_kept():
    kept = ResultCache[int](2)

    def fails():
        raise ValueError("not now")

    with pytest.raises(ValueError, match="not now"):
        kept.of((1,), fails)
    assert kept.of((1,), lambda: 7) == 7

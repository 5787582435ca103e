"""``python -m tests.sweeps.odd_inputs --from SEED --count N --processes P``: odd photos and questions, a seed each.

Every input ends in an answer or a sentence. Said of each that does not: an exception nobody foresaw, more than five
seconds of processor time, more than a gigabyte of memory, a reading far off where the decoder had warned. Each by its
seed, so that it can be looked at alone (``--from SEED --count 1``). Ends with 1 if there was any.

Needs what `inspect_app.cli measure` needs and nothing of the tests' own requirements.
"""

import argparse
import json
import multiprocessing
import os
import sys
import time
import traceback
from collections import Counter, defaultdict
from multiprocessing.connection import wait
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"  # before numpy is loaded: a process a core, a thread a process
os.environ["OPENCV_LOG_LEVEL"] = "OFF"  # its decoders tell of every damaged file

SLOW_S, GONE_S = 5.0, 120.0
"""Processor time that is too much, and the time on the clock after which an input is given up."""
MOST_MB = 1000
CHUNK = 20
WRONG_U = 2.0
"""Off by more than this many U (k = 2): wrong, not only outside its uncertainty."""


def judged(seed, slow=SLOW_S):
    """What came of one input: its kind, and each thing that is wrong with it."""
    from calib.photo import open_photo
    from inspect_app.measure import measure
    from shared.errors import InspectError, UnforeseenError
    from tests.inspect_app.promises.odd_inputs import odd_photo, question

    data, view, before = odd_photo(seed)
    begun = time.process_time()
    answer, wrong = None, []
    try:
        answer = measure(open_photo(data, "photo"), question(seed, view))
        json.dumps(answer.to_dict(), allow_nan=False)
    except UnforeseenError as error:
        wrong.append(("exception", _place(error.__cause__ or error)))
    except InspectError:
        pass
    except Exception as error:
        wrong.append(("exception", _place(error)))
    took = time.process_time() - begun
    if took > slow:
        wrong.append(("slow", f"{took:.1f} s"))
    if answer is not None and before is not None and decoder_warned(data):
        wrong += [("wrong after a warning", text) for text in far_off(answer, before, question(seed, view))]
    return ("refused" if answer is None else "answered"), wrong


def _place(error):
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if "site-packages" not in f.filename] or frames
    at = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "?"
    return f"{at} {error!r:.120}"


def decoder_warned(data):
    """Whether libjpeg, told to be strict, finds a fault in the bytes that touches pixels."""
    import simplejpeg

    from calib.photo import HARMLESS

    try:
        simplejpeg.decode_jpeg(data, strict=True)
    except ValueError as error:
        return data[:3] == b"\xff\xd8\xff" and not str(error).startswith(HARMLESS)
    return False


def far_off(answer, before, ask):
    """Readings that lie more than twice U off what the photo said before it was damaged, or that it did not have."""
    from calib.photo import open_photo
    from inspect_app.measure import measure
    from inspect_app.reading.values import readings_of
    from shared.errors import InspectError

    try:
        true = {r.key: r.value for r in readings_of(measure(open_photo(before, "photo"), ask))}
    except InspectError:
        true = {}
    for r in readings_of(answer):
        was = true.get(r.key)
        if was is None or abs(r.value.value - was.value) > WRONG_U * max(r.value.expanded, was.expanded):
            yield f"{r.key}: {r.value.value:.4g} for {was.value if was else None}"


def work(pipe, slow):
    """Judge the seeds that come, one message each, until there are no more or the memory has grown too large."""
    import resource

    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # what libpng and libwebp say of damaged files
    for seeds in iter(pipe.recv, None):
        for seed in seeds:
            pipe.send(("began", seed))
            kind, wrong = judged(seed, slow)
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // (1 << 20 if sys.platform == "darwin" else 1024)
            if peak > MOST_MB:
                wrong.append(("memory", f"{peak} MB"))
            pipe.send(("judged", seed, kind, wrong))
            if peak > MOST_MB:  # its peak never falls: the next needs a process of its own
                return


class Worker:
    """A process, the seeds it has yet to judge, and since when it is at the present one."""

    def __init__(self, context, slow):
        self.pipe, far = context.Pipe()
        self.process = context.Process(target=work, args=(far, slow), daemon=True)
        self.process.start()
        far.close()
        self.left, self.seed, self.since = [], None, time.monotonic()

    def give(self, seeds):
        self.left, self.seed, self.since = list(seeds), None, time.monotonic()
        self.pipe.send(list(seeds))

    def end(self):
        self.process.kill()
        self.process.join()
        self.pipe.close()


class Sweep:
    """All seeds shared out among processes, and what came of them."""

    def __init__(self, first, count, processes, every, slow):
        self.context = multiprocessing.get_context("spawn")
        seeds = range(first, first + count * every, every)
        self.chunks = iter(seeds[at : at + CHUNK] for at in range(0, count, CHUNK))
        self.count, self.kinds, self.wrong = count, Counter(), defaultdict(list)
        self.workers, self.slow = [], slow
        for _ in range(processes):
            self._fill(Worker(self.context, self.slow), [])

    def _fill(self, worker, seeds):
        """Give a worker what is left of its chunk, else the next one; none is left: let it go."""
        seeds = seeds or list(next(self.chunks, ()))
        if seeds:
            worker.give(seeds)
            self.workers.append(worker)
        else:
            worker.end()

    def run(self, say):
        said = time.monotonic()
        while self.workers:
            ready = wait([w.pipe for w in self.workers], timeout=1.0)
            for worker in [w for w in self.workers if w.pipe in ready]:
                self._hear(worker)
            for worker in [w for w in self.workers if time.monotonic() - w.since > GONE_S]:
                self._lost(worker, "hang", f"over {GONE_S:.0f} s, and killed")
            if time.monotonic() - said > 30.0:
                said = time.monotonic()
                say(self)

    def _hear(self, worker):
        try:
            message = worker.pipe.recv()
        except (EOFError, OSError):
            gone = "process ended" if worker.seed is not None else ""
            return self._lost(worker, gone, f"with {worker.process.exitcode}")
        worker.since = time.monotonic()
        if message[0] == "began":
            worker.seed = message[1]
            return None
        _, seed, kind, wrong = message
        self.kinds[kind] += 1
        for what, text in wrong:
            self.wrong[what, text].append(seed)
        worker.seed = None
        worker.left.remove(seed)
        if not worker.left:
            self.workers.remove(worker)
            self._fill(worker, [])
        return None

    def _lost(self, worker, what, text):
        """Go on with a new process after the input that ended the old one, or that filled its memory."""
        self.workers.remove(worker)
        if what:
            self.kinds["lost"] += 1
            self.wrong[what, text].append(worker.seed)
            worker.left = [s for s in worker.left if s != worker.seed]
        worker.end()
        self._fill(Worker(self.context, self.slow), worker.left)


def report(sweep, seconds):
    done = sum(sweep.kinds.values())
    kinds = ", ".join(f"{n} {kind}" for kind, n in sorted(sweep.kinds.items()))
    yield f"{done} of {sweep.count} inputs in {seconds:.0f} s: {kinds}; {sum(map(len, sweep.wrong.values()))} wrong"
    for (what, text), seeds in sorted(sweep.wrong.items(), key=lambda at: (at[0][0], -len(at[1]))):
        yield f"  {what}, {len(seeds)} times, seeds {', '.join(map(str, seeds[:5]))}: {text}"


def main(words=None):
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--from", dest="first", type=int, default=1_000_000, help="first seed")
    options.add_argument("--count", type=int, default=1000, help="how many inputs")
    options.add_argument("--every", type=int, default=1, metavar="N", help="only every N-th seed; 50: the mild ones")
    options.add_argument("--slow", type=float, default=SLOW_S, metavar="S", help="processor time that is too much, s")
    options.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    options.add_argument("--report", type=Path, help="write the report there too, as far as it has come")
    given = options.parse_args(words)
    begun = time.monotonic()

    def say(sweep):
        text = "\n".join(report(sweep, time.monotonic() - begun))
        print(text.splitlines()[0], flush=True)
        if given.report:
            given.report.write_text(text + "\n", encoding="utf-8")
        return text

    sweep = Sweep(given.first, given.count, given.processes, given.every, given.slow)
    sweep.run(say)
    print(say(sweep))
    return 1 if sweep.wrong or sum(sweep.kinds.values()) != given.count else 0


if __name__ == "__main__":
    raise SystemExit(main())

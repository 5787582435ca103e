"""``python -m tests.benchmarks.odd_inputs FROM TO``: odd photos and questions by seed; each fault once, with a seed.

Also lists what took over five seconds. Ends with 1 if anything failed.
"""

import sys
import time
import traceback

from shared.errors import UnforeseenError
from tests.inspect_app.promises.odd_inputs import answered

SLOW_S = 5.0


def main(first, last):
    faults, slow, answers = {}, [], 0
    for seed in range(first, last):
        begun = time.perf_counter()
        try:
            answers += answered(seed) is not None
        except UnforeseenError as error:
            at = traceback.extract_tb(error.__cause__.__traceback__)[-1]
            ours = [
                f for f in traceback.extract_tb(error.__cause__.__traceback__) if "site-packages" not in f.filename
            ][-1]
            place = f"{ours.filename}:{ours.lineno} {error.__cause__!r:.90} ({at.name})"
            faults.setdefault(place, []).append(seed)
        if time.perf_counter() - begun > SLOW_S:
            slow.append((seed, round(time.perf_counter() - begun, 1)))
    print(f"{last - first} inputs, {answers} answered, {sum(map(len, faults.values()))} faults, {len(slow)} slow")
    for place, seeds in sorted(faults.items(), key=lambda at: -len(at[1])):
        print(f"  {len(seeds)} times, first seed {seeds[0]}: {place}")
    print(*(f"  seed {seed} took {s} s" for seed, s in slow), sep="\n")
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main(*map(int, sys.argv[1:3])))

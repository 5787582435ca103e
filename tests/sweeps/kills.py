"""``python -m tests.sweeps.kills --random N --calls N --replays N``: what was acknowledged is there after any crash.

--random   kills at random moments
--calls    kills before, after or in the middle of a system call that changes the disk, spread over all of them
--replays  power cuts: the disk as it is with writes and names that were not synced dropped, all or at random

Each from its seed. Ends with 1 if anything acknowledged is lost, a folder does not open, or `check` finds fault.
"""

import argparse
import json
import os
import random
import select
import signal
import sys
import tempfile
import time
from pathlib import Path

from tests.sweeps import single_threaded
from tests.sweeps.actions import Person, copied, lost, stand_in, template
from tests.sweeps.power_cut import Disk
from tests.sweeps.system_calls import Watch, sqlite_library

assert single_threaded
os.environ["INSPECT_APP_APART"] = "0"

ACTIONS = 12
SILENT_S = 60.0


def child(folder, seed, actions, watch=None):
    """A process that acts and acknowledges every action on a pipe; returns its id and the pipe's end."""
    reads, writes = os.pipe()
    pid = os.fork()
    if pid:
        os.close(writes)
        return pid, reads
    status = 1
    try:
        os.close(reads)
        if watch is not None:
            watch.install()
        from inspect_app import services

        person = Person(services.open_store(folder / "data"), folder, seed)
        for _ in range(actions):
            facts = person.act()
            os.write(writes, (json.dumps(facts) + "\n").encode())
            if watch is not None:
                watch.after(("acknowledged", facts))
        status = 0
    finally:
        os._exit(status)


def acknowledged(pipe, pid):
    """Every fact that came through the pipe whole; a process that says nothing for a minute is killed there."""
    said = b""
    while True:
        if not select.select([pipe], [], [], SILENT_S)[0]:
            os.kill(pid, signal.SIGKILL)
        piece = os.read(pipe, 1 << 16)
        if not piece:
            break
        said += piece
    os.close(pipe)
    return [f for line in said.splitlines(keepends=True) if line.endswith(b"\n") for f in json.loads(line)]


def ended(pid):
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status)


def killed_at_random(folder, seed):
    rng = random.Random(seed)
    pid, pipe = child(folder, seed, 10_000)
    select.select([pipe], [], [], 60.0)  # it has begun
    time.sleep(rng.uniform(0.0, 0.6))
    os.kill(pid, signal.SIGKILL)
    code = ended(pid)
    return acknowledged(pipe, pid), code


class Killer:
    """Counts the calls; at the given one the process is killed: before it, after it, or with half a write done."""

    def __init__(self, at, way):
        self.at, self.way, self.count = at, way, -1

    def before(self, said):
        self.count += 1
        if self.count != self.at:
            return None
        if self.way == "before" or (self.way == "torn" and said[0] != "write"):
            os.kill(os.getpid(), signal.SIGKILL)
        return len(said[3]) // 2 if self.way == "torn" else None

    def after(self, said):
        if self.count == self.at and said[0] != "acknowledged":
            os.kill(os.getpid(), signal.SIGKILL)


def killed_at_call(folder, seed, at, way):
    killer = Killer(at, way)
    pid, pipe = child(folder, seed, ACTIONS, Watch(killer.before, killer.after))
    facts = acknowledged(pipe, pid)
    return facts, ended(pid)


def calls_of(folder, seed):
    """The calls of a run that is not killed, with what each changed and what was acknowledged in between."""
    log = folder / "calls.log"
    pid, pipe = child(folder, seed, ACTIONS, Recorder(log))
    assert acknowledged(pipe, pid)
    assert ended(pid) == 0, "the run that is recorded failed"
    with log.open("rb") as f:
        return [json.loads(line) for line in f]


class Recorder(Watch):
    """Writes down what each call changed; contents as hexadecimal text."""

    def __init__(self, log):
        super().__init__(lambda said: None, self._note)
        self._log = log

    def install(self):
        self._out = self._log.open("w", encoding="utf-8")
        super().install()

    def _note(self, said):
        kind, *rest = said
        if kind == "write":
            rest[2] = rest[2].hex()
        if kind == "fsync":
            rest.append(Path(rest[0]).read_bytes().hex() if Path(rest[0]).is_file() else None)
        if kind == "replace":
            rest.append(Path(rest[1]).read_bytes().hex() if Path(rest[1]).is_file() else None)
        self._out.write(json.dumps([kind, *rest]) + "\n")
        self._out.flush()


def by_calls(made, work, count, first):
    """Kills spread over the calls of several runs; the seed, what was lost, and how the process ended."""
    runs = max(1, count // 100)
    per_run = [count // runs + (n < count % runs) for n in range(runs)]
    for n, kills in enumerate(per_run):
        seed = first + n
        total = sum(c[0] != "acknowledged" for c in calls_of(copied(made, work / "run"), seed))
        for k in range(kills):
            at, way = (k * total) // kills, ("before", "after", "torn")[k % 3]
            folder = copied(made, work / "run")
            facts, code = killed_at_call(folder, seed, at, way)
            yield f"seed {seed}, call {at} of {total}, {way}", facts, code, lost(folder, facts)


def by_chance(made, work, count, first):
    for seed in range(first, first + count):
        folder = copied(made, work / "run")
        facts, code = killed_at_random(folder, seed)
        yield f"seed {seed}, at random", facts, code, lost(folder, facts)


def by_power(made, work, count, first):
    """Power cuts spread over the calls of several runs: half with all dropped that was not synced, half at random."""
    runs = max(1, count // 100)
    for n in range(runs):
        seed, folder = first + n, copied(made, work / "run")
        calls = calls_of(folder, seed)
        cuts = count // runs + (n < count % runs)
        for k in range(cuts):
            at = (k + 1) * len(calls) // cuts
            disk = Disk(made, folder)
            facts = []
            for call in calls[:at]:
                facts += call[1] if call[0] == "acknowledged" else disk.apply(call)
            target = copied(made, work / "cut")
            disk.after_power_cut(target, random.Random(f"{seed}-{k}") if k % 2 else None)
            yield f"seed {seed}, power cut after call {at} of {len(calls)}", facts, -9, lost(target, facts)


def main(words=None):
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name in ("random", "calls", "replays"):
        options.add_argument(f"--{name}", type=int, default=0)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args(words)
    bad = 0
    with tempfile.TemporaryDirectory() as at:
        work = Path(at)
        made = work / "template"
        pid = os.fork()  # papers start threads, which a process that is forked must not have
        if not pid:
            template(made)
            os._exit(0)
        assert ended(pid) == 0
        stand_in()
        if sqlite_library() is None:
            print("SQLite is built into Python here: its calls can't be seen, only those of the program.")
        for name, kills, count in (
            ("random kills", by_chance, given.random),
            ("kills at calls", by_calls, given.calls),
            ("power cuts", by_power, given.replays),
        ):
            if not count:
                continue
            begun, n, kept, killed = time.monotonic(), 0, 0, 0
            for what, facts, code, gone in kills(made, work, count, given.seed):
                n, kept, killed = n + 1, kept + len(facts), killed + (code == -signal.SIGKILL)
                if gone or code not in (0, -signal.SIGKILL):
                    bad += 1
                    print(f"  {what} (ended {code}): {'; '.join(gone)[:500]}", flush=True)
            print(f"{n} {name} ({killed} hit), {kept} acknowledged facts, {time.monotonic() - begun:.0f} s; {bad} lost")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())

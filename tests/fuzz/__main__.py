"""Run damaged files through the commands: one line of JSON for each trial that went wrong.

    python -m tests.fuzz 10000              seed 0, two workers
    python -m tests.fuzz 500 --seed 3 --command track
    python -m tests.fuzz 1 --first 4711     one trial again

Each worker is a process with 1 GB of address space. The last line counts.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path

MEMORY = 1 << 30  # bytes
STUCK = 60.0  # seconds on the wall that one trial may take before its worker is ended


def main(arguments: list[str]) -> int:
    """Return 0 when nothing went wrong."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("count", type=int)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--command", default="")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.child:
        _work(asked)
        return 0
    counts, wrong = run(asked.count, asked.seed, asked.first, asked.command, asked.workers)
    for one in wrong:
        print(json.dumps(one))
    print(json.dumps(counts))
    return 1 if wrong else 0


def run(
    count: int, seed: int = 0, first: int = 0, command: str = "", workers: int = 2
) -> tuple[dict, list[dict]]:
    """Run trials in worker processes; return the counts, and the trials that went wrong."""
    share = -(-count // workers)
    parts = [(k, min(share, first + count - k)) for k in range(first, first + count, share)]
    counts: Counter = Counter()
    wrong, slowest, largest = [], {"seconds": 0.0}, 0
    with ThreadPoolExecutor(workers) as pool:
        for found in pool.map(lambda part: _work_apart(*part, seed, command), parts):
            for one in found:
                if "largest" in one:
                    largest = max(largest, one["largest"])
                    continue
                if one["wrong"]:
                    wrong.append(one)
                if "line" in one:
                    counts[f"{one['line'].split()[0]} {one['status']}"] += 1
                    counts["." + one["file"].rpartition(".")[2]] += 1
                    counts["trials"] += 1
                    slowest = max(slowest, one, key=lambda trial: trial["seconds"])
    by_name = dict(sorted(counts.items()))
    by_name |= {"slowest_s": slowest["seconds"], "slowest": slowest.get("number")}
    return by_name | {"largest_MB": largest // 1024}, wrong


def _work_apart(first: int, count: int, seed: int, command: str) -> list[dict]:
    """Run trials in a process of its own; a worker that is stuck or dies is told as wrong."""
    words = [str(count), "--first", str(first), "--seed", str(seed), "--command", command]
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.fuzz", *words, "--child"],
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
        cwd=Path(__file__).parent.parent.parent,
    )
    found: list[dict] = []
    watch = threading.Timer(STUCK, process.kill)
    watch.start()
    for line in process.stdout:
        watch.cancel()
        found.append(json.loads(line))
        watch = threading.Timer(STUCK, process.kill)
        watch.start()
    watch.cancel()
    process.stdout.close()
    process.wait()
    if len(found) < count + 1:
        what = f"the worker was stuck or died: {process.returncode}"
        found.append({"number": first + len(found), "wrong": [what]})
    return found


def _work(asked: argparse.Namespace) -> None:
    from tests.fuzz.cases import sound_files
    from tests.fuzz.trial import load_everything, run_trial

    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    files = sound_files()
    load_everything()
    out = sys.stdout
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        for name, raw in files.items():
            Path(name).write_bytes(raw)
        for number in range(asked.first, asked.first + asked.count):
            trial = run_trial(number, asked.seed, files, asked.command)
            print(json.dumps(asdict(trial)), file=out, flush=True)
        os.chdir("/")
    print(json.dumps({"largest": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss}), file=out)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

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
from collections import Counter
from dataclasses import asdict
from pathlib import Path

MEMORY = 1 << 30  # bytes
STUCK = 120.0  # seconds on the wall without a trial done


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
    running = []
    for start in range(first, first + count, share):
        some = min(share, first + count - start)
        words = [str(some), "--first", str(start), "--seed", str(seed), "--command", command]
        running.append((start, some, _start([*words, "--child"])))
    counts: Counter = Counter()
    wrong, slowest, largest = [], 0.0, 0
    for start, some, process in running:
        done = start
        out, _ = process.communicate()
        for line in out.splitlines():
            one = json.loads(line)
            if "largest" in one:
                largest = max(largest, one["largest"])
                continue
            done += 1
            counts[f"{one['line'].split()[0]} {one['status']}"] += 1
            counts["." + one["file"].rpartition(".")[2]] += 1
            counts["trials"] += 1
            slowest = max(slowest, one["seconds"])
            if one["wrong"]:
                wrong.append(one)
        if done < start + some:
            wrong.append({"number": done, "wrong": [f"the worker died: {process.returncode}"]})
    by_name = dict(sorted(counts.items()))
    return by_name | {"slowest_s": round(slowest, 2), "largest_MB": largest // 1024}, wrong


def _start(words: list[str]) -> subprocess.Popen:
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen(
        [sys.executable, "-m", "tests.fuzz", *words],
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
        cwd=Path(__file__).parent.parent.parent,
    )


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

"""Record what every command answers, or compare two records.

python -m tests.pins write FOLDER [--untidy DIR] [--benches 50] [--workers 1]
python -m tests.pins compare BEFORE AFTER [--rtol 1e-9] [--only GLOB] [--all]
"""

import argparse
import os
import sys
from pathlib import Path

# Before numpy is loaded: sums in one order, and one core.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def main(arguments: list[str] | None = None) -> int:
    """Return 0 done or nothing moved, 1 something moved."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.pins", description=__doc__.split("\n")[0]
    )
    kinds = parser.add_subparsers(dest="kind", required=True)
    write = kinds.add_parser("write", help="run every command and record its answers")
    write.add_argument("folder", type=Path, help="new or empty")
    write.add_argument("--untidy", type=Path, help="folder of tables that are not committed")
    write.add_argument("--benches", type=int, default=50, help="simulated benches [50]")
    write.add_argument("--workers", type=int, default=1, help="processes [1]")
    compare = kinds.add_parser("compare", help="list what differs; exit status 1 if something does")
    compare.add_argument("before", type=Path)
    compare.add_argument("after", type=Path)
    compare.add_argument("--rtol", type=float, default=1e-9, help="what counts as the same [1e-9]")
    compare.add_argument("--only", default="*", help='files, as "bench-*/*-load.json"')
    compare.add_argument("--all", action="store_true", help="each change on its own")
    given = parser.parse_args(arguments)
    if given.kind == "write":
        from tests.pins.record import write_pins

        if given.folder.is_dir() and any(given.folder.iterdir()):
            parser.error(f"{given.folder} is not empty")
        if given.untidy and not given.untidy.is_dir():
            parser.error(f"{given.untidy} is no folder")
        print(write_pins(given.folder, given.untidy, given.benches, given.workers))
        return 0
    from tests.pins.moved import compare_folders
    from tests.pins.told import told

    for folder in (given.before, given.after):
        if not folder.is_dir():
            parser.error(f"{folder} is no folder")
    changes = compare_folders(given.before, given.after, given.rtol, given.only)
    print(told(changes, given.all))
    return 1 if changes else 0


if __name__ == "__main__":
    sys.exit(main())
